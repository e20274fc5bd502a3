-- shifted_set_ups
--
-- purpose: days of set-ups and deliveries whose year looks wrong: a tank filled or emptied a year before or after its
--     season, eggs that came before they were spawned or more than a year later; the same day of another year fits.
-- grain: one row per day.
-- reads: tank_spans, dated_rows, deliveries, batches
-- returns:
--   tank_id [code]: tank
--   table_name [text]: setups or deliveries
--   column_name [text]: column of the cell
--   value [as written]: the cell
--   upload [number]: upload of the row
--   line [spreadsheet row]: the row
--   written_on [date]: as written
--   year_on [date]: the same day of the year that fits
--   rows [count]: 1
--   starts_on [date]: first day on which it makes sense
--   ends_on [date]: last such day
--   evidence [text]: filled, closed or spawning
--   season [season]: season of the set-up; NULL of a delivery
WITH stood AS (
    SELECT *, lag(season) OVER by_tank AS season_before, lag(closed_on) OVER by_tank AS closed_before
    FROM tank_spans
    WHERE set_up_line IS NOT NULL
    WINDOW by_tank AS (PARTITION BY tank_id ORDER BY season)
),

days AS (
    SELECT
        tank_id, 'setups' AS table_name, 'filled_on' AS column_name, set_up_upload AS upload, set_up_line AS line, season,
        filled_on AS day,
        -- a tank may be filled before the summer
        season_starts_on - 60 AS starts_on,
        coalesce(first_delivered_on, season_ends_on) AS ends_on,
        season_starts_on - 60 AS least_on,
        ends_on AS most_on,
        'filled' AS evidence
    FROM stood
    -- one that was not emptied since may hold its water of then
    WHERE filled_on > ends_on OR season_before IS NULL OR closed_before >= filled_on
    UNION ALL
    SELECT
        tank_id, 'setups', 'closed_on', set_up_upload, set_up_line, season, closed_on,
        coalesce(first_delivered_on, season_starts_on) AS starts_on,
        season_ends_on AS ends_on,
        starts_on,
        season_ends_on + 60,
        'closed'
    FROM stood
    -- fish that are kept for another year leave records of it
    WHERE NOT EXISTS (
        SELECT 1 FROM dated_rows WHERE dated_rows.tank_id = stood.tank_id AND day BETWEEN season_ends_on + 1 AND closed_on
    )
    UNION ALL
    SELECT
        tank_id, 'deliveries', 'delivered_on', deliveries.upload, deliveries.line, NULL, delivered_on::DATE,
        spawned_on, spawned_on + 200, spawned_on, spawned_on + 365, 'spawning'
    FROM deliveries
    INNER JOIN batches USING (batch_id)
)

SELECT
    tank_id,
    table_name,
    column_name,
    day::VARCHAR AS value,
    upload,
    line,
    day AS written_on,
    (day + to_years(years))::DATE AS year_on,
    1 AS rows,
    starts_on,
    ends_on,
    evidence,
    season
FROM days
CROSS JOIN (SELECT unnest([-1, 1]) AS years)
WHERE NOT day BETWEEN least_on AND most_on
    AND year_on BETWEEN starts_on AND ends_on
    -- 29 February has no same day a year later
    AND day(year_on) = day(day)
