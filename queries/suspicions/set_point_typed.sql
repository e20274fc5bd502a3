-- set_point_typed
--
-- purpose: tanks whose readings are nearly all the set point of the controller.
-- grain: one row per tank, season and instrument.
-- reads: reading_runs, temperatures
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
        temperatures.water_temp::VARCHAR AS value,
        temperatures.upload,
        temperatures.line,
        runs.* EXCLUDE (tank_id, starts_at)
    FROM runs
    INNER JOIN temperatures
        ON temperatures.tank_id = runs.tank_id
        AND temperatures.instrument = runs.instrument
        AND temperatures.read_at BETWEEN runs.starts_at AND runs.starts_at + INTERVAL 1 DAY
    QUALIFY row_number() OVER (
        PARTITION BY runs.tank_id, runs.season, runs.instrument ORDER BY temperatures.read_at, temperatures.line
    ) = 1
)

SELECT * FROM final
