-- readings_copied
--
-- purpose: the same reading again and again, for longer than the resolution of the instrument explains.
-- grain: one row per run.
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
--   starts_on [date]: first day of the run
--   ends_on [date]: last day of the run
SELECT
    runs.tank_id,
    'temperatures' AS table_name,
    'water_temp' AS column_name,
    any_value(temperatures.water_temp)::VARCHAR AS value,
    arg_min(temperatures.upload, temperatures.read_at) AS upload,
    arg_min(temperatures.line, temperatures.read_at) AS line,
    runs.season,
    runs.instrument,
    any_value(runs.run) AS run,
    any_value(runs.entries) AS entries,
    any_value(runs.counted_in) AS counted_in,
    any_value(runs.critical_run) AS critical_run,
    any_value(runs.resolution_c) AS resolution_c,
    runs.starts_at::DATE AS starts_on,
    any_value(runs.ends_at)::DATE AS ends_on
FROM reading_runs AS runs
INNER JOIN temperatures
    ON temperatures.tank_id = runs.tank_id
    AND temperatures.instrument = runs.instrument
    AND temperatures.read_at BETWEEN runs.starts_at AND runs.starts_at + INTERVAL 1 DAY
WHERE runs.flag = 'copied'
GROUP BY runs.tank_id, runs.season, runs.instrument, runs.starts_at
