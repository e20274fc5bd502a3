-- daily_readings
--
-- purpose: readings of each instrument brought to days. A day with four or more timed readings gets a
--     time-weighted mean: a reading stands for the time halfway to the readings before and after it that day, the
--     first and the last as far outwards as inwards. With fewer it gets the plain mean. Where a logger kept an even
--     step the two are the same number, and the cheap one is computed.
-- grain: one row per tank, local day and instrument with at least one usable reading.
-- reads: temperatures, staged_temperatures, reading_flags, settings
-- key: tank_id, day, instrument
-- returns:
--   tank_id [code]: tank
--   day [date]: local day
--   instrument [text]: logger, thermometer, controller
--   readings [count]: usable readings
--   mean_c [°C]: daily mean
--   min_c [°C]: lowest reading
--   max_c [°C]: highest reading
--   hours_read [h]: time the readings stand for; NULL with fewer than four timed readings
--   hours_above_warm [h]: of these, above the warm limit
--   hours_below_cold [h]: of these, below the cold limit
--   largest_gap_hours [h]: longest time between two readings; NULL with fewer than four timed readings
WITH readings AS (SELECT * FROM temperatures),

judged_readings AS (SELECT * FROM staged_temperatures),

limits AS (SELECT * FROM settings),

-- One pass over the large table. Sums are in millionths of a degree, as whole numbers, so that they do not depend
-- on the order in which rows are added.
logger_days AS (
    SELECT
        tank_id,
        read_at::DATE AS day,
        count(*) AS readings,
        sum((water_temp * 1e6)::BIGINT) AS sum_millionths_c,
        min(water_temp) AS min_c,
        max(water_temp) AS max_c,
        sum((water_temp > (SELECT warm_limit_c FROM limits))::INTEGER) AS readings_above_warm,
        sum((water_temp < (SELECT cold_limit_c FROM limits))::INTEGER) AS readings_below_cold,
        epoch_us(min(read_at)) AS first_us,
        epoch_us(max(read_at)) AS last_us
    FROM readings
    WHERE unit = 'C' AND instrument = 'logger'
    GROUP BY tank_id, read_at::DATE
),

other_days AS (
    SELECT DISTINCT tank_id, day FROM judged_readings WHERE unit <> 'C' AND instrument = 'logger'
),

flagged_days AS (
    SELECT DISTINCT tank_id, read_at::DATE AS day FROM reading_flags
),

-- The step of a logger: the smallest mean step among days with at least 24 readings.
steps AS (
    SELECT tank_id, min((last_us - first_us) / (readings - 1)) AS step_us
    FROM logger_days
    WHERE readings >= 24
    GROUP BY tank_id
),

-- Distinct times whose mean step is the logger's own cannot have a hole between them; nor can those of a logger set
-- to a coarser step that divides the day and fills it.
judged_days AS (
    SELECT
        logger_days.*,
        (logger_days.last_us - logger_days.first_us) / nullif(logger_days.readings - 1, 0) AS mean_step_us,
        logger_days.max_c <= limits.plausible_up_to_c
        AND other_days.tank_id IS NULL
        AND flagged_days.tank_id IS NULL
        AND coalesce(
            mean_step_us = steps.step_us
            OR (logger_days.readings >= 24 AND mean_step_us * logger_days.readings = 86400000000),
            false
        ) AS is_even
    FROM logger_days
    CROSS JOIN limits
    LEFT JOIN steps USING (tank_id)
    LEFT JOIN other_days USING (tank_id, day)
    LEFT JOIN flagged_days USING (tank_id, day)
),

even_days AS (
    SELECT
        tank_id,
        day,
        'logger' AS instrument,
        readings,
        sum_millionths_c / (readings * 1e6) AS mean_c,
        min_c,
        max_c,
        least(24.0, readings * mean_step_us / 3.6e9) AS hours_read,
        readings_above_warm * mean_step_us / 3.6e9 AS hours_above_warm,
        readings_below_cold * mean_step_us / 3.6e9 AS hours_below_cold,
        mean_step_us / 3.6e9 AS largest_gap_hours
    FROM judged_days
    WHERE is_even
),

uneven_days AS (
    SELECT tank_id, day FROM judged_days WHERE NOT is_even
),

careful_readings AS (
    SELECT tank_id, day, instrument, read_at, hour_known, water_temp_c
    FROM judged_readings
    WHERE (unit <> 'C' OR instrument <> 'logger') AND usable
    UNION ALL
    SELECT judged_readings.tank_id, day, instrument, read_at, hour_known, water_temp_c
    FROM judged_readings
    SEMI JOIN uneven_days USING (tank_id, day)
    WHERE unit = 'C' AND instrument = 'logger' AND usable
),

neighbours AS (
    SELECT
        *,
        epoch_us(read_at) AS at_us,
        count(*) FILTER (WHERE hour_known) OVER whole_day AS timed_readings,
        epoch_us(lag(read_at) OVER in_time) AS before_us,
        epoch_us(lead(read_at) OVER in_time) AS after_us
    FROM careful_readings
    WINDOW
        whole_day AS (PARTITION BY tank_id, day, instrument),
        in_time AS (PARTITION BY tank_id, day, instrument, hour_known ORDER BY read_at)
),

-- Twice the time a reading stands for, in whole microseconds.
weighted AS (
    SELECT
        *,
        hour_known AND timed_readings >= 4 AS is_weighted,
        coalesce(at_us - before_us, after_us - at_us) + coalesce(after_us - at_us, at_us - before_us) AS twice_us
    FROM neighbours
),

summed_days AS (
    SELECT
        tank_id,
        day,
        instrument,
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
    GROUP BY tank_id, day, instrument
),

careful_days AS (
    SELECT
        tank_id,
        day,
        instrument,
        readings,
        CASE
            WHEN is_time_weighted THEN all_us_millionths_c / (all_us * 1e6)
            ELSE sum_millionths_c / (readings * 1e6)
        END AS mean_c,
        min_c,
        max_c,
        least(24.0, all_us / 7.2e9) AS hours_read,
        hours_read * warm_us / all_us AS hours_above_warm,
        hours_read * cold_us / all_us AS hours_below_cold,
        largest_gap_hours
    FROM summed_days
),

final AS (
    SELECT * FROM even_days
    UNION ALL
    SELECT * FROM careful_days
)

SELECT * FROM final
