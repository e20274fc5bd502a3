-- short_conditioning
--
-- purpose: tanks that got eggs fewer than 5 days after they were filled. A wrong year is left to its own rule.
-- grain: one row per tank and season.
-- reads: tank_spans, shifted_set_ups
-- returns:
--   tank_id [code]: tank the suspicion is about
--   table_name [text]: table of the row pointed at
--   column_name [text]: column of the cell pointed at
--   value [as written]: the cell
--   upload [number]: upload of the row pointed at
--   line [spreadsheet row]: row pointed at, the first of its group
--   season [season]: season
--   filled_on [date]: date the tank was filled
--   delivered_on [date]: first delivery
--   days [days]: from filling to delivery; negative when the eggs came first
SELECT
    tank_id,
    'setups' AS table_name,
    'filled_on' AS column_name,
    filled_on::VARCHAR AS value,
    set_up_upload AS upload,
    set_up_line AS line,
    season,
    filled_on,
    first_delivered_on AS delivered_on,
    first_delivered_on - filled_on AS days
FROM tank_spans
WHERE first_delivered_on - filled_on < 5
    AND NOT EXISTS (
        SELECT 1
        FROM shifted_set_ups
        WHERE shifted_set_ups.tank_id = tank_spans.tank_id
            AND shifted_set_ups.season = tank_spans.season
            AND evidence = 'filled'
    )
