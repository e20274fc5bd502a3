-- reading_days
--
-- purpose: each day's readings of one instrument in a few numbers, so that suspicions are sought among days first
--     and among single readings only where a day gives reason to.
-- grain: one row per tank, instrument and day with a reading.
-- reads: temperatures, settings
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
WITH readings AS (
    SELECT tank_id, instrument, read_at::DATE AS day, celsius(water_temp, unit) AS water_temp_c FROM temperatures
),

by_day AS (
    SELECT
        tank_id,
        instrument,
        day,
        count(*) AS readings,
        min(water_temp_c) AS lowest_c,
        max(water_temp_c) AS highest_c,
        sum(water_temp_c) AS sum_c
    FROM readings
    GROUP BY tank_id, instrument, day
),

final AS (
    SELECT
        season_of(day) AS season,
        tank_id,
        instrument,
        day,
        readings,
        lowest_c,
        highest_c,
        -- rounded, because a sum over several threads differs in its last bits
        round(sum_c / readings, 6) AS mean_c
    FROM by_day
)

SELECT * FROM final
