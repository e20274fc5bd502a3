-- careful_days
--
-- purpose: days that take more than a division: an uneven step between readings, a flagged reading, or one too warm
--     to be true. Only for these are single readings looked at again. With four or more timed readings the mean is
--     weighted by time: a reading stands for the time halfway to the readings before and after it that day, the
--     first and the last as far outwards as inwards. With fewer it is the plain mean.
-- grain: one row per tank, local day and instrument that needs it.
-- reads: temperatures, instrument_days, reading_flags, acknowledged, settings
-- key: tank_id, day, instrument
-- returns:
--   tank_id [code]: tank
--   day [date]: local day
--   instrument [text]: logger, thermometer, controller
--   readings [count]: usable readings; 0 when all were left out
--   mean_c [°C]: daily mean
--   min_c [°C]: lowest usable reading
--   max_c [°C]: highest usable reading
--   hours_read [h]: time the readings stand for; NULL with fewer than four timed readings
--   hours_above_warm [h]: of these, above the warm limit
--   hours_below_cold [h]: of these, below the cold limit
--   largest_gap_hours [h]: longest time between two readings; NULL with fewer than four timed readings
WITH days AS (SELECT * FROM instrument_days),

readings AS NOT MATERIALIZED (SELECT * FROM temperatures),

limits AS (SELECT * FROM settings),

acknowledged_tanks AS (
    SELECT DISTINCT tank_id FROM acknowledged WHERE rule = 'water_temp_above_25'
),

flags AS (SELECT DISTINCT tank_id, read_at, instrument FROM reading_flags),

flagged AS (
    SELECT DISTINCT tank_id, read_at::DATE AS day, instrument FROM flags
),

-- The step of an instrument: the smallest mean step among its days with at least 24 readings.
steps AS (
    SELECT tank_id, instrument, min((epoch_us(last_at) - epoch_us(first_at)) / (readings - 1)) AS step_us
    FROM days
    WHERE readings >= 24
    GROUP BY tank_id, instrument
),

-- Distinct times whose mean step is the instrument's own cannot have a hole between them; nor can those of a coarser
-- step that divides the day and fills it. Then every reading stands for the same time.
judged AS (
    SELECT
        days.tank_id,
        days.day,
        days.instrument,
        days.readings,
        days.highest_c,
        (epoch_us(days.last_at) - epoch_us(days.first_at)) / nullif(days.readings - 1, 0) AS mean_step_us,
        coalesce(
            mean_step_us = steps.step_us
            OR (days.readings >= 24 AND mean_step_us * days.readings = 86400000000),
            false
        ) AS is_even
    FROM days
    LEFT JOIN steps USING (tank_id, instrument)
),

wanted AS MATERIALIZED (
    SELECT
        judged.tank_id,
        judged.day,
        judged.instrument,
        row_number() OVER (ORDER BY judged.tank_id, judged.day, judged.instrument) AS number
    FROM judged
    CROSS JOIN limits
    LEFT JOIN flagged USING (tank_id, day, instrument)
    WHERE (judged.readings >= 4 AND NOT judged.is_even)
        OR judged.highest_c > limits.plausible_up_to_c
        OR flagged.tank_id IS NOT NULL
),

-- The large table is met with the few days wanted before anything else is asked of its rows.
single_readings AS (
    SELECT wanted.number, readings.tank_id, readings.instrument, read_at, read_at_has_hour, water_temp, unit
    FROM readings
    INNER JOIN wanted
        ON readings.tank_id = wanted.tank_id
        AND readings.read_at::DATE = wanted.day
    WHERE readings.instrument = wanted.instrument
),

usable_readings AS MATERIALIZED (
    SELECT number, read_at, read_at_has_hour AS hour_known, celsius(water_temp, unit) AS water_temp_c
    FROM single_readings
    CROSS JOIN limits
    ANTI JOIN flags USING (tank_id, read_at, instrument)
    WHERE water_temp_c <= limits.plausible_up_to_c
        OR tank_id IN (SELECT tank_id FROM acknowledged_tanks)
        OR '*' IN (SELECT tank_id FROM acknowledged_tanks)
),

timed AS (
    SELECT number, count(*) FILTER (WHERE hour_known) AS timed_readings FROM usable_readings GROUP BY number
),

neighbours AS (
    SELECT
        usable_readings.*,
        timed.timed_readings,
        epoch_us(read_at) AS at_us,
        epoch_us(lag(read_at) OVER in_time) AS before_us,
        epoch_us(lead(read_at) OVER in_time) AS after_us
    FROM usable_readings
    INNER JOIN timed USING (number)
    WINDOW in_time AS (PARTITION BY number, hour_known ORDER BY read_at)
),

-- Twice the time a reading stands for, in whole microseconds.
weighted AS (
    SELECT
        *,
        hour_known AND timed_readings >= 4 AS is_weighted,
        coalesce(at_us - before_us, after_us - at_us) + coalesce(after_us - at_us, at_us - before_us) AS twice_us
    FROM neighbours
),

summed AS (
    SELECT
        number,
        count(*) AS readings,
        max(timed_readings) >= 4 AS is_time_weighted,
        sum((water_temp_c * 1e6)::BIGINT) AS sum_millionths_c,
        min(water_temp_c) AS min_c,
        max(water_temp_c) AS max_c,
        sum(twice_us) FILTER (WHERE is_weighted) AS all_us,
        sum(twice_us::HUGEINT * (water_temp_c * 1e6)::BIGINT) FILTER (WHERE is_weighted) AS all_us_millionths_c,
        coalesce(sum(twice_us) FILTER (WHERE is_weighted AND water_temp_c > limits.warm_limit_c), 0) AS warm_us,
        coalesce(sum(twice_us) FILTER (WHERE is_weighted AND water_temp_c < limits.cold_limit_c), 0) AS cold_us,
        max(after_us - at_us) FILTER (WHERE is_weighted) / 3.6e9 AS largest_gap_hours
    FROM weighted
    CROSS JOIN limits
    GROUP BY number
),

final AS (
    SELECT
        tank_id,
        day,
        instrument,
        coalesce(summed.readings, 0) AS readings,
        CASE
            WHEN summed.is_time_weighted THEN summed.all_us_millionths_c / (summed.all_us * 1e6)
            ELSE summed.sum_millionths_c / (summed.readings * 1e6)
        END AS mean_c,
        summed.min_c,
        summed.max_c,
        CASE WHEN summed.all_us > 0 THEN least(24.0, summed.all_us / 7.2e9) END AS hours_read,
        hours_read * summed.warm_us / summed.all_us AS hours_above_warm,
        hours_read * summed.cold_us / summed.all_us AS hours_below_cold,
        summed.largest_gap_hours
    FROM wanted
    LEFT JOIN summed USING (number)
)

SELECT * FROM final ORDER BY tank_id, day, instrument
