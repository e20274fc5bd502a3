-- orphaned_rows
--
-- purpose: dated rows of tanks that have no set-up in the season of their date. They are kept, take part in nothing,
--     and join as soon as the set-up arrives.
-- grain: one row per table, season and tank with such rows.
-- reads: staged_setups, deliveries, instrument_days, losses, stages, exits, incidents, water_tests, settings
-- key: table_name, season, tank_id
-- returns:
--   table_name [text]: table the rows are in
--   season [season]: season of their date
--   tank_id [code]: tank
--   orphaned_rows [count]: how many
--   first_on [date]: first date among them
--   last_on [date]: last date among them
WITH setups AS (SELECT season, tank_id FROM staged_setups),

dated AS (
    SELECT 'deliveries' AS table_name, tank_id, delivered_on::DATE AS on_day, count(*) AS rows_that_day
    FROM deliveries
    GROUP BY tank_id, on_day
    UNION ALL
    SELECT 'temperatures', tank_id, day, readings FROM instrument_days
    UNION ALL
    SELECT 'losses', tank_id, checked_on AS on_day, count(*) FROM losses GROUP BY tank_id, on_day
    UNION ALL
    SELECT 'stages', tank_id, first_seen_on AS on_day, count(*) FROM stages GROUP BY tank_id, on_day
    UNION ALL
    SELECT 'exits', tank_id, exited_on AS on_day, count(*) FROM exits GROUP BY tank_id, on_day
    UNION ALL
    SELECT 'incidents', tank_id, started_at::DATE AS on_day, count(*) FROM incidents GROUP BY tank_id, on_day
    UNION ALL
    SELECT 'water_tests', tank_id, tested_on AS on_day, count(*) FROM water_tests GROUP BY tank_id, on_day
),

final AS (
    SELECT
        table_name,
        season_of(on_day) AS season,
        tank_id,
        sum(rows_that_day)::BIGINT AS orphaned_rows,
        min(on_day) AS first_on,
        max(on_day) AS last_on
    FROM dated
    ANTI JOIN setups ON season_of(dated.on_day) = setups.season AND dated.tank_id = setups.tank_id
    GROUP BY table_name, season_of(on_day), tank_id
)

SELECT * FROM final ORDER BY table_name, season, tank_id
