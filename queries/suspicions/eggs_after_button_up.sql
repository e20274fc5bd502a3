-- eggs_after_button_up
--
-- purpose: dead written as eggs more than the 14 days of late picks after the tank's button-up was seen.
-- grain: one row per season and tank; not where eggs came on several days, of which the last may hatch much later.
-- reads: losses, stages, tank_spans, swapped_dates, shifted_years, settings
-- returns:
--   tank_id [code]: tank the suspicion is about
--   table_name [text]: table of the row pointed at
--   column_name [text]: column of the cell pointed at
--   value [as written]: the cell
--   upload [number]: upload of the row pointed at
--   line [spreadsheet row]: row pointed at, the first of its group
--   season [season]: season
--   buttoned_up_on [date]: when button-up was first seen
--   dead [count]: dead eggs written after that and the late picks
--   counts [list]: day and dead of each count
WITH doubted AS (
    SELECT tank_id, table_name, upload, written_on FROM swapped_dates
    UNION
    SELECT tank_id, table_name, upload, written_on FROM shifted_years
),

buttoned_up AS (
    SELECT season_of(first_seen_on) AS season, stages.tank_id, max(first_seen_on) AS buttoned_up_on
    FROM stages
    ANTI JOIN doubted
        ON doubted.table_name = 'stages' AND doubted.tank_id = stages.tank_id AND doubted.upload = stages.upload
        AND doubted.written_on = stages.first_seen_on
    WHERE stage = 'button_up' AND coalesce(dating NOT IN ('inferred', 'copied_from_forecast'), true)
    GROUP BY ALL
),

eggs AS (
    SELECT season_of(checked_on) AS season, losses.tank_id, checked_on, dead, losses.upload, line
    FROM losses
    ANTI JOIN doubted
        ON doubted.table_name = 'losses' AND doubted.tank_id = losses.tank_id AND doubted.upload = losses.upload
        AND doubted.written_on = losses.checked_on
    WHERE stage = 'egg' AND dead > 0
)

SELECT
    eggs.tank_id,
    'losses' AS table_name,
    'stage' AS column_name,
    'egg' AS value,
    arg_min(eggs.upload, (eggs.upload, line)) AS upload,
    arg_min(line, (eggs.upload, line)) AS line,
    season,
    buttoned_up_on,
    sum(dead)::BIGINT AS dead,
    list({'day': checked_on, 'dead': dead} ORDER BY checked_on, line) AS counts
FROM eggs
INNER JOIN buttoned_up USING (season, tank_id)
LEFT JOIN tank_spans USING (season, tank_id)
WHERE checked_on > buttoned_up_on + 14
    AND coalesce(first_delivered_on = last_delivered_on, true)
GROUP BY season, eggs.tank_id, buttoned_up_on
