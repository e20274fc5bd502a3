-- reading_streams
--
-- purpose: what one instrument read of one tank in one season, in a few numbers: which of them need a closer look.
-- grain: one row per season, tank and instrument with a reading.
-- reads: reading_days
-- key: season, tank_id, instrument
-- returns:
--   season [season]: season
--   tank_id [code]: tank
--   instrument [text]: logger, thermometer, controller
--   readings [count]: readings in all
--   is_frequent [true/false]: reads more than three times on a usual day, so nobody typed it
--   highest_c [°C]: highest reading
SELECT
    season,
    tank_id,
    instrument,
    sum(readings)::BIGINT AS readings,
    median(readings) > 3 AS is_frequent,
    max(highest_c) AS highest_c
FROM reading_days
GROUP BY season, tank_id, instrument
