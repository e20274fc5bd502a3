-- reading_days
--
-- purpose: each day's readings of one instrument in a few numbers, so that suspicions are sought among days first
--     and among single readings only where a day gives reason to.
-- grain: one row per tank, instrument and day with a reading.
-- reads: instrument_days, settings
-- key: tank_id, instrument, day
-- returns:
--   season [season]: season of the day
--   tank_id [code]: tank
--   instrument [text]: logger, thermometer, controller
--   day [date]: local date
--   readings [count]: readings of that day
--   lowest_c [°C]: lowest reading
--   highest_c [°C]: highest reading
--   mean_c [°C]: plain mean of the readings
--   first_at [local time]: first reading
WITH days AS (SELECT * FROM instrument_days),

final AS (
    SELECT
        season_of(day) AS season,
        tank_id,
        instrument,
        day,
        readings,
        lowest_c,
        highest_c,
        sum_millionths_c / (readings * 1e6) AS mean_c,
        first_at
    FROM days
)

SELECT * FROM final
