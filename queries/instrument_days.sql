-- instrument_days
--
-- purpose: the one pass over the large table of readings: each day of each instrument in a few numbers. Every other
--     query starts from these and goes back to single readings only for the days that need it.
-- grain: one row per tank, local day and instrument with a reading.
-- reads: temperatures, settings
-- key: tank_id, day, instrument
-- returns:
--   tank_id [code]: tank
--   day [date]: local date
--   instrument [text]: logger, thermometer, controller
--   readings [count]: readings, usable or not
--   sum_millionths_c [°C × 1 000 000]: their sum, in whole millionths so that the order of adding does not matter
--   lowest_c [°C]: lowest reading
--   highest_c [°C]: highest reading
--   readings_above_warm [count]: readings above the warm limit
--   readings_below_cold [count]: readings below the cold limit
--   first_at [local time]: first reading
--   last_at [local time]: last reading
WITH readings AS NOT MATERIALIZED (SELECT * FROM temperatures),

-- Nearly all readings of a large store. The rest, and days that hold both, are worked out apart. The condition is said
-- in the negative, since that lets whole blocks of rows be settled by the range of their values.
logger_in_c AS MATERIALIZED (
    SELECT
        tank_id,
        read_at::DATE AS day,
        count(*) AS readings,
        sum((water_temp * 1e6)::BIGINT)::BIGINT AS sum_millionths_c,
        min(water_temp) AS lowest_c,
        max(water_temp) AS highest_c,
        sum((water_temp > $warm_limit_c::DOUBLE)::INTEGER)::BIGINT AS readings_above_warm,
        sum((water_temp < $cold_limit_c::DOUBLE)::INTEGER)::BIGINT AS readings_below_cold,
        min(read_at) AS first_at,
        max(read_at) AS last_at
    FROM readings
    WHERE unit <> 'F' AND instrument <> 'thermometer' AND instrument <> 'controller'
    GROUP BY tank_id, read_at::DATE
),

others AS (
    SELECT tank_id, read_at, instrument::VARCHAR AS instrument, celsius(water_temp, unit) AS water_temp_c
    FROM readings
    WHERE unit <> 'C' OR instrument <> 'logger'
),

other_days AS MATERIALIZED (
    SELECT
        tank_id,
        read_at::DATE AS day,
        instrument,
        count(*) AS readings,
        sum((water_temp_c * 1e6)::BIGINT)::BIGINT AS sum_millionths_c,
        min(water_temp_c) AS lowest_c,
        max(water_temp_c) AS highest_c,
        sum((water_temp_c > $warm_limit_c::DOUBLE)::INTEGER)::BIGINT AS readings_above_warm,
        sum((water_temp_c < $cold_limit_c::DOUBLE)::INTEGER)::BIGINT AS readings_below_cold,
        min(read_at) AS first_at,
        max(read_at) AS last_at
    FROM others
    GROUP BY tank_id, read_at::DATE, instrument
),

logger_in_f AS (SELECT * FROM other_days WHERE instrument = 'logger'),

both_units AS (
    SELECT
        tank_id,
        day,
        c.readings + f.readings AS readings,
        c.sum_millionths_c + f.sum_millionths_c AS sum_millionths_c,
        least(c.lowest_c, f.lowest_c) AS lowest_c,
        greatest(c.highest_c, f.highest_c) AS highest_c,
        c.readings_above_warm + f.readings_above_warm AS readings_above_warm,
        c.readings_below_cold + f.readings_below_cold AS readings_below_cold,
        least(c.first_at, f.first_at) AS first_at,
        greatest(c.last_at, f.last_at) AS last_at
    FROM logger_in_c AS c
    INNER JOIN logger_in_f AS f USING (tank_id, day)
),

final AS (
    SELECT tank_id, day, 'logger' AS instrument, * EXCLUDE (tank_id, day)
    FROM logger_in_c
    ANTI JOIN logger_in_f USING (tank_id, day)
    UNION ALL
    SELECT tank_id, day, instrument, * EXCLUDE (tank_id, day, instrument)
    FROM other_days
    ANTI JOIN both_units ON other_days.instrument = 'logger'
        AND other_days.tank_id = both_units.tank_id
        AND other_days.day = both_units.day
    UNION ALL
    SELECT tank_id, day, 'logger', * EXCLUDE (tank_id, day) FROM both_units
)

SELECT * FROM final
