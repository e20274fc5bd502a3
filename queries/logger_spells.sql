-- logger_spells
--
-- purpose: stretches in which a logger lay in the air of the room: warm as the room, and reached faster than water
--     can warm; or, where the record begins with it, left faster than water can cool.
-- grain: one row per stretch of one logger.
-- reads: temperatures, reading_days, warm_logger_days, incidents, settings
-- key: tank_id, starts_at
-- returns:
--   season [season]: season of the stretch
--   tank_id [code]: tank
--   starts_at [local time]: first reading of the stretch
--   ends_at [local time]: last reading of the stretch
--   readings [count]: readings in it
--   mean_c [°C]: their mean
--   water_level_c [°C]: what the logger usually reads in this season
--   jump_c [°C]: change on entering the stretch, or on leaving it where the record begins with it
--   jump_hours [h]: time that change took at most
--   daily_range_c [°C]: mean daily range of the days of the stretch
--   usual_range_c [°C]: median daily range of the season
--   room_temp_c [°C]: usual temperature of the room, when recorded
WITH readings AS (
    SELECT
        warm_logger_days.season,
        warm_logger_days.tank_id,
        temperatures.read_at,
        celsius(temperatures.water_temp, temperatures.unit) AS water_temp_c,
        warm_logger_days.water_level_c
    FROM temperatures
    INNER JOIN warm_logger_days
        ON temperatures.tank_id = warm_logger_days.tank_id AND temperatures.read_at::DATE = warm_logger_days.day
    WHERE temperatures.instrument = 'logger'
),

with_surroundings AS (
    SELECT
        *,
        water_temp_c >= water_level_c + 2.0 AS is_high,
        lag(water_temp_c) OVER stream AS temp_before_c,
        lead(water_temp_c) OVER stream AS temp_after_c,
        lag(read_at) OVER stream AS read_before_at,
        lead(read_at) OVER stream AS read_after_at,
        max(water_temp_c) OVER (
            PARTITION BY tank_id, season ORDER BY read_at RANGE BETWEEN CURRENT ROW AND INTERVAL 2 HOURS FOLLOWING
        ) AS highest_soon_c,
        min(water_temp_c) OVER (
            PARTITION BY tank_id, season ORDER BY read_at RANGE BETWEEN CURRENT ROW AND INTERVAL 1 HOURS FOLLOWING
        ) AS lowest_soon_c
    FROM readings
    WINDOW stream AS (PARTITION BY tank_id, season ORDER BY read_at)
),

numbered AS (
    SELECT
        *,
        is_high AND NOT coalesce(temp_before_c >= water_level_c + 2.0, false) AS is_first,
        is_high AND NOT coalesce(temp_after_c >= water_level_c + 2.0, false) AS is_last,
        count_if(is_high AND NOT coalesce(temp_before_c >= water_level_c + 2.0, false))
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
        max(highest_soon_c - temp_before_c) FILTER (is_first) AS rise_c,
        2.0 + max(epoch(read_at - read_before_at) / 3600.0) FILTER (is_first) AS rise_hours,
        max(water_temp_c - least(temp_after_c, lowest_soon_c)) FILTER (is_last) AS fall_c,
        greatest(1.0, max(epoch(read_after_at - read_at) / 3600.0) FILTER (is_last)) AS fall_hours
    FROM numbered
    WHERE is_high
    GROUP BY season, tank_id, stretch
),

-- A room of 23 °C warms 40 L of bare tank by 0.6 °C in an hour at most; a chiller cools it by 3 °C. What is faster
-- by 2 to 3 °C is no water. A start is seen only where the reading before it is at most a day old.
jumps AS (
    SELECT
        *,
        coalesce(rise_hours <= 26.0, false) AS start_is_seen,
        CASE WHEN start_is_seen THEN rise_c ELSE fall_c END AS jump_c,
        CASE WHEN start_is_seen THEN rise_hours ELSE fall_hours END AS jump_hours
    FROM stretches
),

-- Fresh water poured in also jumps: that was no logger in the air.
poured AS (
    SELECT tank_id, started_at, coalesce(ended_at, started_at) AS ended_at, started_at_has_hour
    FROM incidents
    WHERE kind IN ('tap_water_added', 'water_change', 'tank_moved')
),

usual AS (
    SELECT DISTINCT season, tank_id, usual_range_c, room_temp_c FROM warm_logger_days
),

-- Rooms are up to 8 °C cooler at night and on weekends than usual.
in_the_air AS (
    SELECT jumps.*, usual.usual_range_c, usual.room_temp_c
    FROM jumps
    INNER JOIN usual USING (season, tank_id)
    WHERE jumps.highest_c >= jumps.water_level_c + 5.0
        AND jumps.jump_c >= CASE WHEN start_is_seen THEN 2.0 + 0.6 * jump_hours ELSE 3.0 + 3.0 * jump_hours END
        AND jumps.mean_c >= coalesce(usual.room_temp_c - 8.0, 13.0)
        AND NOT EXISTS (
            SELECT 1
            FROM poured
            WHERE poured.tank_id = jumps.tank_id
                AND jumps.starts_at
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
        in_the_air.jump_hours,
        round((
            SELECT avg(reading_days.highest_c - reading_days.lowest_c)
            FROM reading_days
            WHERE reading_days.tank_id = in_the_air.tank_id
                AND reading_days.instrument = 'logger'
                AND reading_days.day BETWEEN in_the_air.starts_at::DATE AND in_the_air.ends_at::DATE
        ), 6) AS daily_range_c,
        in_the_air.usual_range_c,
        in_the_air.room_temp_c
    FROM in_the_air
)

SELECT * FROM final ORDER BY season, tank_id, starts_at
