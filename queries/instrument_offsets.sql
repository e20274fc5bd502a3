-- instrument_offsets
--
-- purpose: how far hand readings lie from the logger of the same tank, from the days on which both were read.
-- grain: one row per season, tank and instrument other than the logger that shares a day with the logger.
-- reads: daily_readings, staged_setups
-- key: season, tank_id, instrument
-- returns:
--   season [season]: season
--   tank_id [code]: tank
--   instrument [text]: thermometer or controller
--   shared_days [days]: days on which both gave a daily mean
--   offset_c [°C]: median of (instrument − logger daily mean) over these days
--   sd_c [°C]: standard deviation of these differences; NULL for one day
--   se_c [°C]: standard error of the offset, 1.2533 sd / √days (that of a median of normal differences)
--   is_applied [true/false]: on at least five shared days, so that days without a logger are corrected by it
WITH days AS (SELECT * FROM daily_readings),

setups AS (SELECT season, tank_id, season_starts_on, season_ends_on FROM staged_setups),

hand_days AS (
    SELECT tank_id, day, instrument, mean_c FROM days WHERE instrument <> 'logger'
),

logger_days AS (
    SELECT tank_id, day, mean_c FROM days WHERE instrument = 'logger'
),

differences AS (
    SELECT
        setups.season,
        hand_days.tank_id,
        hand_days.instrument,
        hand_days.mean_c - logger_days.mean_c AS difference_c
    FROM hand_days
    INNER JOIN logger_days USING (tank_id, day)
    INNER JOIN setups
        ON hand_days.tank_id = setups.tank_id
        AND hand_days.day BETWEEN setups.season_starts_on AND setups.season_ends_on
),

final AS (
    SELECT
        season,
        tank_id,
        instrument,
        count(*) AS shared_days,
        median(difference_c) AS offset_c,
        round(stddev_samp(difference_c), 9) AS sd_c,
        1.2533 * sd_c / sqrt(shared_days) AS se_c,
        shared_days >= 5 AS is_applied
    FROM differences
    GROUP BY season, tank_id, instrument
)

SELECT * FROM final ORDER BY season, tank_id, instrument
