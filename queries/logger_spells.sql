-- logger_spells
--
-- purpose: stretches in which a logger lay in the air of the room: warm as the room, reached or left faster than
--     water can warm or cool.
-- grain: one row per stretch of one logger.
-- reads: temperatures, reading_days, setups, incidents, settings
-- key: tank_id, starts_at
-- returns:
--   season [season]: season of the stretch
--   tank_id [code]: tank
--   starts_at [local time]: first reading of the stretch
--   ends_at [local time]: last reading of the stretch
--   readings [count]: readings in it
--   mean_c [°C]: their mean
--   water_level_c [°C]: what the logger usually reads in this season
--   jump_c [°C]: largest change at either end of the stretch within two hours on each side
--   daily_range_c [°C]: mean daily range of the days of the stretch
--   usual_range_c [°C]: median daily range of the season
--   room_temp_c [°C]: usual temperature of the room, when recorded
WITH logger_days AS (
    SELECT *, highest_c - lowest_c AS range_c FROM reading_days WHERE instrument = 'logger'
),

usual AS (
    SELECT
        logger_days.season,
        logger_days.tank_id,
        -- a logger that lay in the air most of the season has the room as its median: the set point keeps it honest
        least(median(mean_c), any_value(setups.set_point_c) + 3.0) AS water_level_c,
        median(range_c) AS usual_range_c,
        any_value(setups.room_temp_c) AS room_temp_c
    FROM logger_days
    LEFT JOIN setups USING (season, tank_id)
    GROUP BY logger_days.season, logger_days.tank_id
),

-- Five degrees above the water is the least a room is; only tanks with such a day are read again.
suspects AS (
    SELECT DISTINCT usual.season, usual.tank_id, usual.water_level_c
    FROM usual
    INNER JOIN logger_days USING (season, tank_id)
    WHERE logger_days.highest_c >= usual.water_level_c + 5.0
),

readings AS (
    SELECT
        suspects.season,
        temperatures.tank_id,
        temperatures.read_at,
        celsius(temperatures.water_temp, temperatures.unit) AS water_temp_c,
        suspects.water_level_c
    FROM temperatures
    INNER JOIN suspects
        ON temperatures.tank_id = suspects.tank_id AND season_of(temperatures.read_at) = suspects.season
    WHERE temperatures.instrument = 'logger'
),

with_surroundings AS (
    SELECT
        *,
        water_temp_c >= water_level_c + 2.0 AS is_high,
        lag(water_temp_c >= water_level_c + 2.0) OVER stream AS was_high,
        lead(water_temp_c >= water_level_c + 2.0) OVER stream AS will_be_high,
        max(water_temp_c) OVER around - min(water_temp_c) OVER around AS change_c
    FROM readings
    WINDOW
        stream AS (PARTITION BY tank_id, season ORDER BY read_at),
        around AS (
            PARTITION BY tank_id, season ORDER BY read_at
            RANGE BETWEEN INTERVAL 2 HOURS PRECEDING AND INTERVAL 2 HOURS FOLLOWING
        )
),

numbered AS (
    SELECT
        *,
        count_if(is_high AND NOT coalesce(was_high, false))
            OVER (PARTITION BY tank_id, season ORDER BY read_at ROWS UNBOUNDED PRECEDING) AS stretch
    FROM with_surroundings
),

stretches AS (
    SELECT
        season,
        tank_id,
        stretch,
        min(read_at) AS starts_at,
        max(read_at) AS ends_at,
        count(*) AS readings,
        sum(water_temp_c) / count(*) AS mean_c,
        max(water_temp_c) AS highest_c,
        any_value(water_level_c) AS water_level_c,
        max(change_c) FILTER (NOT coalesce(was_high, false) OR NOT coalesce(will_be_high, false)) AS jump_c
    FROM numbered
    WHERE is_high
    GROUP BY season, tank_id, stretch
),

-- Fresh water poured in also jumps: that was no logger in the air.
poured AS (
    SELECT tank_id, started_at, coalesce(ended_at, started_at) AS ended_at, started_at_has_hour
    FROM incidents
    WHERE kind IN ('tap_water_added', 'water_change', 'tank_moved')
),

-- A chiller cools 100 L by about 2 °C in an hour and a warm room warms it by less than half a degree: 5 °C within
-- the four hours around an end of the stretch is no water.
in_the_air AS (
    SELECT stretches.*, usual.usual_range_c, usual.room_temp_c
    FROM stretches
    INNER JOIN usual USING (season, tank_id)
    WHERE stretches.highest_c >= stretches.water_level_c + 5.0
        AND stretches.jump_c >= 5.0
        AND stretches.mean_c >= coalesce(usual.room_temp_c - 6.0, 14.0)
        AND NOT EXISTS (
            SELECT 1
            FROM poured
            WHERE poured.tank_id = stretches.tank_id
                AND stretches.starts_at
                BETWEEN poured.started_at - INTERVAL 3 HOURS
                AND poured.ended_at
                + CASE WHEN poured.started_at_has_hour THEN INTERVAL 3 HOURS ELSE INTERVAL 1 DAY END
        )
),

final AS (
    SELECT
        in_the_air.season,
        in_the_air.tank_id,
        in_the_air.starts_at,
        in_the_air.ends_at,
        in_the_air.readings,
        round(in_the_air.mean_c, 6) AS mean_c,
        in_the_air.water_level_c,
        in_the_air.jump_c,
        round((
            SELECT avg(logger_days.range_c)
            FROM logger_days
            WHERE logger_days.tank_id = in_the_air.tank_id
                AND logger_days.day BETWEEN in_the_air.starts_at::DATE AND in_the_air.ends_at::DATE
        ), 6) AS daily_range_c,
        in_the_air.usual_range_c,
        in_the_air.room_temp_c
    FROM in_the_air
)

SELECT * FROM final ORDER BY season, tank_id, starts_at
