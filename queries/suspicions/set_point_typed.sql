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
--   run [count]: readings (days) in a row
--   entries [count]: readings (days) in all
--   counted_in [text]: readings or days
--   critical_run [count]: longest honest run of that resolution and number
--   resolution_c [°C]: step in which the values come
--   set_point_c [°C]: target of the controller
SELECT
    runs.tank_id,
    'temperatures' AS table_name,
    'water_temp' AS column_name,
    any_value(runs.water_temp)::VARCHAR AS value,
    arg_min(temperatures.upload, temperatures.read_at) AS upload,
    arg_min(temperatures.line, temperatures.read_at) AS line,
    runs.season,
    runs.instrument,
    any_value(runs.run) AS run,
    any_value(runs.entries) AS entries,
    any_value(runs.counted_in) AS counted_in,
    any_value(runs.critical_run) AS critical_run,
    any_value(runs.resolution_c) AS resolution_c,
    any_value(runs.set_point_c) AS set_point_c
FROM reading_runs AS runs
INNER JOIN temperatures
    ON temperatures.tank_id = runs.tank_id
    AND temperatures.instrument = runs.instrument
    AND temperatures.read_at BETWEEN runs.starts_at AND runs.starts_at + INTERVAL 1 DAY
WHERE runs.flag = 'set_point_typed'
GROUP BY runs.tank_id, runs.season, runs.instrument, runs.starts_at
