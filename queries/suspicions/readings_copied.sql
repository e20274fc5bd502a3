-- readings_copied
--
-- purpose: the same reading again and again, for longer than the resolution of the instrument explains.
-- grain: one row per run.
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
    first_readings.water_temp::VARCHAR AS value,
    first_readings.upload,
    first_readings.line,
    runs.season,
    runs.instrument,
    runs.run,
    runs.entries,
    runs.counted_in,
    runs.critical_run,
    runs.resolution_c,
    runs.starts_at::DATE AS starts_on,
    runs.ends_at::DATE AS ends_on
FROM reading_runs AS runs
INNER JOIN first_readings
    ON first_readings.tank_id = runs.tank_id
    AND first_readings.instrument = runs.instrument
    AND first_readings.read_at = runs.starts_at
WHERE runs.flag = 'copied'
