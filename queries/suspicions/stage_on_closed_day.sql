-- stage_on_closed_day
--
-- purpose: events said to be seen on a Saturday or Sunday at a site where nobody looks on weekends, with no other
--     trace of anybody at that tank that day.
-- grain: one row per event.
-- reads: stages, tank_spans, losses, exits, water_tests, reading_days, settings
-- returns:
--   tank_id [code]: tank the suspicion is about
--   table_name [text]: table of the row pointed at
--   column_name [text]: column of the cell pointed at
--   value [as written]: the cell
--   upload [number]: upload of the row pointed at
--   line [spreadsheet row]: row pointed at, the first of its group
--   stage [text]: the event
--   first_seen_on [date]: when it was first seen
--   weekday [text]: day of the week
--   site_id [code]: site
WITH weekend AS (
    SELECT *, season_of(first_seen_on) AS season
    FROM stages
    WHERE dayofweek(first_seen_on) IN (0, 6) AND dating = 'seen'
),

traces AS (
    SELECT tank_id, checked_on AS day FROM losses WHERE entry = 'counted'
    UNION
    SELECT tank_id, exited_on AS day FROM exits
    UNION
    SELECT tank_id, tested_on AS day FROM water_tests
    UNION
    SELECT tank_id, day FROM reading_days WHERE instrument <> 'logger'
),

final AS (
    SELECT
        weekend.tank_id,
        'stages' AS table_name,
        'first_seen_on' AS column_name,
        weekend.first_seen_on::VARCHAR AS value,
        weekend.upload,
        weekend.line,
        weekend.stage,
        weekend.first_seen_on,
        dayname(weekend.first_seen_on) AS weekday,
        tank_spans.site_id
    FROM weekend
    INNER JOIN tank_spans USING (season, tank_id)
    ANTI JOIN traces ON traces.tank_id = weekend.tank_id AND traces.day = weekend.first_seen_on
    WHERE NOT tank_spans.weekend_access
)

SELECT * FROM final
