-- dating_equals_forecast
--
-- purpose: events dated by a forecast instead of by looking: said so, or agreeing with one to the day more often than
--     chance allows.
-- grain: one row per event.
-- reads: stages, forecast_matches
-- returns:
--   tank_id [code]: tank the suspicion is about
--   table_name [text]: table of the row pointed at
--   column_name [text]: column of the cell pointed at
--   value [as written]: the cell
--   upload [number]: upload of the row pointed at
--   line [spreadsheet row]: row pointed at, the first of its group
--   stage [text]: the event
--   first_seen_on [date]: its date
--   is_stated [true/false]: the row says copied_from_forecast
--   units_c_days [°C·d]: units of the forecast it agrees with; NULL when stated
--   judged [count]: dates judged; NULL when stated
--   agreeing [count]: dates that agree; NULL when stated
--   by_chance [count]: dates that would by chance; NULL when stated
SELECT
    tank_id,
    'stages' AS table_name,
    'dating' AS column_name,
    dating AS value,
    upload,
    line,
    stage,
    first_seen_on,
    true AS is_stated,
    NULL::BIGINT AS units_c_days,
    NULL::BIGINT AS judged,
    NULL::BIGINT AS agreeing,
    NULL::DOUBLE AS by_chance
FROM stages
WHERE dating = 'copied_from_forecast'
UNION ALL
SELECT
    tank_id,
    'stages',
    'first_seen_on',
    first_seen_on::VARCHAR,
    upload,
    line,
    'hatch_half',
    first_seen_on,
    false,
    units_c_days,
    judged,
    agreeing,
    by_chance
FROM forecast_matches
