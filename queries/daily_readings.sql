-- daily_readings
--
-- purpose: the usable readings of each instrument brought to days: the time-weighted mean of a day with four or more
--     timed readings (where the step is even, that is the plain mean), the plain mean of a day with fewer.
-- grain: one row per tank, local day and instrument with at least one usable reading.
-- reads: instrument_days, careful_days
-- kept as: view
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
WITH days AS (SELECT * FROM instrument_days),

careful AS (SELECT * FROM careful_days),

plain AS (
    SELECT
        *,
        CASE WHEN readings >= 4 THEN (epoch_us(last_at) - epoch_us(first_at)) / (readings - 1) / 3.6e9 END
            AS step_hours
    FROM days
    ANTI JOIN careful USING (tank_id, day, instrument)
),

final AS (
    SELECT
        tank_id,
        day,
        instrument,
        readings,
        sum_millionths_c / (readings * 1e6) AS mean_c,
        lowest_c AS min_c,
        highest_c AS max_c,
        CASE WHEN readings >= 4 THEN least(24.0, readings * step_hours) END AS hours_read,
        readings_above_warm * step_hours AS hours_above_warm,
        readings_below_cold * step_hours AS hours_below_cold,
        step_hours AS largest_gap_hours
    FROM plain
    UNION ALL
    SELECT * FROM careful WHERE readings > 0
)

SELECT * FROM final
