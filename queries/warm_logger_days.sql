-- warm_logger_days
--
-- purpose: days on which a logger read far above the usual water of its season, with a day on either side: where to
--     look for a logger in the air. Kept as a table of its own because the large table is searched by it.
-- grain: one row per tank and day.
-- reads: reading_days, setups
-- key: tank_id, day
-- returns:
--   season [season]: season of the warm day
--   tank_id [code]: tank
--   day [date]: local date
--   water_level_c [°C]: what the logger usually reads in this season
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
        any_value(setups.room_temp_c) AS room_temp_c,
        max(highest_c) AS highest_c
    FROM logger_days
    LEFT JOIN setups USING (season, tank_id)
    GROUP BY logger_days.season, logger_days.tank_id
),

-- Five degrees above the water is the least a room is; tanks without such a day are left alone.
suspects AS (
    SELECT * FROM usual WHERE highest_c >= water_level_c + 5.0
),

final AS (
    SELECT DISTINCT ON (tank_id, day)
        suspects.season,
        suspects.tank_id,
        unnest([logger_days.day - 1, logger_days.day, logger_days.day + 1]) AS day,
        suspects.water_level_c,
        suspects.usual_range_c,
        suspects.room_temp_c
    FROM suspects
    INNER JOIN logger_days USING (season, tank_id)
    WHERE logger_days.highest_c >= suspects.water_level_c + 2.0
)

SELECT * FROM final
