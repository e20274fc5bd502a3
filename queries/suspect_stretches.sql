-- suspect_stretches
--
-- purpose: the stretches of readings that are suspected of something, whatever it is.
-- grain: one row per stretch.
-- reads: reading_runs, logger_spells
-- key: tank_id, instrument, starts_at, flag
-- returns:
--   tank_id [code]: tank
--   instrument [text]: logger, thermometer, controller
--   starts_at [local time]: first reading of the stretch
--   ends_at [local time]: last reading of the stretch
--   flag [text]: out_of_water, copied or set_point_typed
WITH final AS (
    SELECT tank_id, 'logger' AS instrument, starts_at, ends_at, 'out_of_water' AS flag FROM logger_spells
    UNION ALL
    SELECT tank_id, instrument, starts_at, ends_at, flag FROM reading_runs
)

SELECT * FROM final
