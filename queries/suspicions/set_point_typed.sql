-- set_point_typed
--
-- purpose: tanks whose readings are nearly all the set point of the controller.
-- grain: one row per tank, season and instrument.
-- reads: reading_runs, first_readings
-- returns:
--   tank_id [code]: tank the suspicion is about
--   table_name [text]: table of the row pointed at
--   column_name [text]: column of the cell pointed at
--   value [as written]: the cell
--   upload [number]: upload of the row pointed at
--   line [spreadsheet row]: row pointed at, the first of its group
--   season [season]: season
--   instrument [text]: instrument
--   run [count]: readings (days) that are the set point, in runs of more than the critical length
--   entries [count]: readings (days) in all
--   counted_in [text]: readings or days
--   critical_run [count]: longest honest run of that resolution and number
--   resolution_c [°C]: step in which the values come
--   set_point_c [°C]: target of the controller
WITH runs AS (
    SELECT
        tank_id,
        season,
        instrument,
        min(starts_at) AS starts_at,
        sum(run)::BIGINT AS run,
        any_value(entries) AS entries,
        any_value(counted_in) AS counted_in,
        any_value(critical_run) AS critical_run,
        any_value(resolution_c) AS resolution_c,
        any_value(set_point_c) AS set_point_c
    FROM reading_runs
    WHERE flag = 'set_point_typed'
    GROUP BY tank_id, season, instrument
),

final AS (
    SELECT
        runs.tank_id,
        'temperatures' AS table_name,
        'water_temp' AS column_name,
        first_readings.water_temp::VARCHAR AS value,
        first_readings.upload,
        first_readings.line,
        runs.* EXCLUDE (tank_id, starts_at)
    FROM runs
    INNER JOIN first_readings
        ON first_readings.tank_id = runs.tank_id
        AND first_readings.instrument = runs.instrument
        AND first_readings.read_at = runs.starts_at
)

SELECT * FROM final
