-- reading_runs
--
-- purpose: readings that stay the same for longer than the resolution of their instrument explains: copied from day
--     to day, or the set point typed in place of the reading.
-- grain: one row per run that is too long, at most one per tank, season and instrument for each stretch of time.
-- reads: temperatures, reading_days, reading_streams, critical_run_lengths, setups, settings
-- key: tank_id, instrument, starts_at
-- returns:
--   season [season]: season of the readings
--   tank_id [code]: tank
--   instrument [text]: logger, thermometer, controller
--   starts_at [local time]: first reading of the run
--   ends_at [local time]: last reading of the run
--   water_temp [as in unit]: the value that repeats
--   unit [text]: C or F, as written
--   run [count]: readings in the run (days, where an instrument reads more than three times a day)
--   entries [count]: readings (days) of that tank, season and instrument in all
--   counted_in [text]: readings or days
--   resolution_c [°C]: the step in which the values come
--   critical_run [count]: longest run of honest readings of that step and number, exceeded 1 time in 100
--   set_point_c [°C]: target of the controller, when recorded
--   flag [text]: set_point_typed when nearly all readings are the set point, else copied
WITH streams AS (SELECT season, tank_id, instrument, is_frequent FROM reading_streams),

-- A frequent instrument is judged by its days: a day counts as one entry, with a value only if all of it was the same.
frequent AS (
    SELECT
        reading_days.season,
        reading_days.tank_id,
        reading_days.instrument,
        reading_days.first_at AS entry_at,
        CASE WHEN lowest_c = highest_c THEN lowest_c END AS water_temp,
        'C' AS unit,
        highest_c AS graded_value
    FROM reading_days
    INNER JOIN streams USING (season, tank_id, instrument)
    WHERE streams.is_frequent
),

seldom AS (
    SELECT
        season_of(read_at) AS season,
        tank_id,
        instrument,
        read_at AS entry_at,
        water_temp,
        unit,
        water_temp AS graded_value
    FROM temperatures
    WHERE (tank_id, instrument) IN (SELECT tank_id, instrument FROM reading_streams WHERE NOT is_frequent)
        -- a reading in °F among copies must not break their run
        AND celsius(water_temp, unit) <= 25.0
),

entries AS (
    SELECT season, tank_id, instrument, entry_at, water_temp, unit, graded_value, 'days' AS counted_in
    FROM frequent
    UNION ALL
    SELECT season, tank_id, instrument, entry_at, water_temp, unit, graded_value, 'readings' AS counted_in
    FROM seldom
    INNER JOIN streams USING (season, tank_id, instrument)
    WHERE NOT streams.is_frequent
),

-- The step of the values: the coarsest round step that nearly all of them keep, in the unit they were written in.
graded AS (
    SELECT
        season,
        tank_id,
        instrument,
        any_value(counted_in) AS counted_in,
        count(*) AS entries,
        CASE WHEN count_if(unit = 'F') * 2 > count(*) THEN 1.0 / 1.8 ELSE 1.0 END AS unit_step_c,
        avg((abs(graded_value - round(graded_value)) < 1e-6)::INTEGER) AS share_whole,
        avg((abs(graded_value * 2 - round(graded_value * 2)) < 1e-6)::INTEGER) AS share_half,
        avg((abs(graded_value * 5 - round(graded_value * 5)) < 1e-6)::INTEGER) AS share_fifth
    FROM entries
    GROUP BY season, tank_id, instrument
),

-- Values converted from whole °F come in steps of 0.5 or 0.6 °C on a grid of 0.1: the smallest step between the
-- values that occur tells.
neighbours AS (
    SELECT
        season,
        tank_id,
        instrument,
        graded_value - lag(graded_value)
            OVER (PARTITION BY season, tank_id, instrument ORDER BY graded_value) AS step
    FROM (SELECT DISTINCT season, tank_id, instrument, graded_value FROM entries)
),

smallest_steps AS (
    SELECT season, tank_id, instrument, min(step) AS smallest_step
    FROM neighbours
    GROUP BY season, tank_id, instrument
    HAVING count(*) >= 4
),

resolutions AS (
    SELECT
        graded.*,
        round(greatest(
            CASE WHEN share_whole >= 0.95 THEN 1.0 WHEN share_half >= 0.95 THEN 0.5 WHEN share_fifth >= 0.95 THEN 0.2
            ELSE 0.1 END,
            coalesce(smallest_step, 0.0)
        ) * unit_step_c, 3) AS resolution_c
    FROM graded
    LEFT JOIN smallest_steps USING (season, tank_id, instrument)
),

-- The table holds some steps and numbers of readings; between two of them the more forgiving one counts.
limits AS (
    SELECT
        resolutions.season,
        resolutions.tank_id,
        resolutions.instrument,
        min(critical_run_lengths.critical_run) AS critical_run
    FROM resolutions
    INNER JOIN critical_run_lengths
        ON critical_run_lengths.resolution_c >= least(resolutions.resolution_c, 1.0) - 0.001
        AND critical_run_lengths.readings >= least(resolutions.entries, 1280)
    GROUP BY resolutions.season, resolutions.tank_id, resolutions.instrument
),

marked AS (
    SELECT
        *,
        (water_temp IS NULL OR water_temp IS DISTINCT FROM lag(water_temp) OVER stream
            OR unit <> lag(unit) OVER stream)::INTEGER AS is_new
    FROM entries
    WINDOW stream AS (PARTITION BY season, tank_id, instrument ORDER BY entry_at)
),

numbered AS (
    SELECT
        *,
        sum(is_new) OVER (PARTITION BY season, tank_id, instrument ORDER BY entry_at ROWS UNBOUNDED PRECEDING) AS run_number
    FROM marked
),

runs AS (
    SELECT
        season,
        tank_id,
        instrument,
        run_number,
        min(entry_at) AS starts_at,
        max(entry_at) AS ends_at,
        any_value(water_temp) AS water_temp,
        any_value(unit) AS unit,
        count(*) AS run
    FROM numbered
    WHERE water_temp IS NOT NULL
    GROUP BY season, tank_id, instrument, run_number
),

long_runs AS (
    SELECT
        runs.*,
        limits.critical_run,
        sum(runs.run) OVER (PARTITION BY season, tank_id, instrument, water_temp, unit) AS run_alike
    FROM runs
    INNER JOIN limits USING (season, tank_id, instrument)
    WHERE runs.run > limits.critical_run
),

final AS (
    SELECT
        long_runs.season,
        long_runs.tank_id,
        long_runs.instrument,
        long_runs.starts_at,
        -- a run of days ends with the last of its days
        CASE
            WHEN resolutions.counted_in = 'days'
                THEN date_trunc('day', long_runs.ends_at) + INTERVAL 1 DAY - INTERVAL 1 MICROSECOND
            ELSE long_runs.ends_at
        END AS ends_at,
        long_runs.water_temp,
        long_runs.unit,
        long_runs.run,
        resolutions.entries,
        resolutions.counted_in,
        resolutions.resolution_c,
        long_runs.critical_run,
        setups.set_point_c,
        CASE
            WHEN abs(celsius(long_runs.water_temp, long_runs.unit) - setups.set_point_c) < 0.051
                AND long_runs.run_alike >= 0.95 * resolutions.entries
                THEN 'set_point_typed'
            ELSE 'copied'
        END AS flag
    FROM long_runs
    INNER JOIN resolutions USING (season, tank_id, instrument)
    LEFT JOIN setups USING (season, tank_id)
)

SELECT * FROM final ORDER BY season, tank_id, instrument, starts_at
