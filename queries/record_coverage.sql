-- record_coverage
--
-- purpose: which kinds of record each tank sent in a season, and when the last one was written.
-- grain: one row per season and tank with a set-up.
-- reads: staged_setups, daily_readings, instrument_days, staged_losses, staged_stages, staged_exits, staged_incidents,
--     staged_water_tests, staged_deliveries
-- key: season, tank_id
-- returns:
--   season [season]: season
--   tank_id [code]: tank
--   deliveries [count]: deliveries of eggs
--   readings [count]: readings of any instrument
--   readings_left_out [count]: of these, kept out of exposure because flagged or too warm to be true
--   days_with_readings [days]: days with at least one usable reading
--   days_with_logger [days]: of these, with a logger
--   first_reading_on [date]: first of them
--   last_reading_on [date]: last of them
--   checks_counted [count]: checks for dead with a count
--   checks_not_checked [count]: entries that say nobody checked
--   checks_unknown [count]: checks whose number is not known
--   stages_seen [count]: development events, copies of a forecast left out
--   stages_copied [count]: development events copied from a forecast
--   exits [count]: groups of fish that left
--   incidents [count]: incidents
--   water_tests [count]: measured quantities
--   last_fish_record_on [date]: last counted check, stage or exit
--   last_record_on [date]: last record of any kind except the delivery
WITH setups AS (SELECT season, tank_id, season_starts_on, season_ends_on FROM staged_setups),

usable_days AS (SELECT tank_id, day, instrument, readings FROM daily_readings),

read_days AS (SELECT tank_id, day, readings FROM instrument_days),

losses AS (SELECT * FROM staged_losses),

stages AS (SELECT * FROM staged_stages),

exits AS (SELECT * FROM staged_exits),

incidents AS (SELECT * FROM staged_incidents),

water_tests AS (SELECT * FROM staged_water_tests),

deliveries AS (SELECT * FROM staged_deliveries),

per_day AS (
    SELECT tank_id, day, bool_or(instrument = 'logger') AS has_logger, sum(readings) AS usable_readings
    FROM usable_days
    GROUP BY tank_id, day
),

readings AS (
    SELECT
        setups.season,
        per_day.tank_id,
        count(*) AS days_with_readings,
        sum(usable_readings)::BIGINT AS usable_readings,
        count(*) FILTER (WHERE has_logger) AS days_with_logger,
        min(day) AS first_reading_on,
        max(day) AS last_reading_on
    FROM per_day
    INNER JOIN setups
        ON per_day.tank_id = setups.tank_id
        AND per_day.day BETWEEN setups.season_starts_on AND setups.season_ends_on
    GROUP BY setups.season, per_day.tank_id
),

all_readings AS (
    SELECT setups.season, read_days.tank_id, sum(readings)::BIGINT AS readings
    FROM read_days
    INNER JOIN setups
        ON read_days.tank_id = setups.tank_id
        AND read_days.day BETWEEN setups.season_starts_on AND setups.season_ends_on
    GROUP BY setups.season, read_days.tank_id
),

delivered AS (
    SELECT season, tank_id, count(*) AS deliveries FROM deliveries GROUP BY season, tank_id
),

checks AS (
    SELECT
        season,
        tank_id,
        count(*) FILTER (WHERE entry = 'counted') AS checks_counted,
        count(*) FILTER (WHERE entry = 'not_checked') AS checks_not_checked,
        count(*) FILTER (WHERE entry = 'unknown') AS checks_unknown,
        max(checked_on) FILTER (WHERE entry = 'counted') AS last_counted_on,
        max(checked_on) AS last_check_on
    FROM losses
    GROUP BY season, tank_id
),

events AS (
    SELECT
        season,
        tank_id,
        count(*) FILTER (WHERE dating <> 'copied_from_forecast') AS stages_seen,
        count(*) FILTER (WHERE dating = 'copied_from_forecast') AS stages_copied,
        max(first_seen_on) FILTER (WHERE dating <> 'copied_from_forecast') AS last_stage_on
    FROM stages
    GROUP BY season, tank_id
),

left_tank AS (
    SELECT season, tank_id, count(*) AS exits, max(exited_on) AS last_exit_on FROM exits GROUP BY season, tank_id
),

happened AS (
    SELECT season, tank_id, count(*) AS incidents, max(started_at)::DATE AS last_incident_on
    FROM incidents
    GROUP BY season, tank_id
),

tested AS (
    SELECT season, tank_id, count(*) AS water_tests, max(tested_on) AS last_test_on
    FROM water_tests
    GROUP BY season, tank_id
),

final AS (
    SELECT
        setups.season,
        setups.tank_id,
        coalesce(deliveries, 0) AS deliveries,
        coalesce(all_readings.readings, 0) AS readings,
        coalesce(all_readings.readings, 0) - coalesce(readings.usable_readings, 0) AS readings_left_out,
        coalesce(days_with_readings, 0) AS days_with_readings,
        coalesce(days_with_logger, 0) AS days_with_logger,
        first_reading_on,
        last_reading_on,
        coalesce(checks_counted, 0) AS checks_counted,
        coalesce(checks_not_checked, 0) AS checks_not_checked,
        coalesce(checks_unknown, 0) AS checks_unknown,
        coalesce(stages_seen, 0) AS stages_seen,
        coalesce(stages_copied, 0) AS stages_copied,
        coalesce(exits, 0) AS exits,
        coalesce(incidents, 0) AS incidents,
        coalesce(water_tests, 0) AS water_tests,
        greatest(last_counted_on, last_stage_on, last_exit_on) AS last_fish_record_on,
        greatest(last_reading_on, last_check_on, last_stage_on, last_exit_on, last_incident_on, last_test_on)
            AS last_record_on
    FROM setups
    LEFT JOIN delivered USING (season, tank_id)
    LEFT JOIN readings USING (season, tank_id)
    LEFT JOIN all_readings USING (season, tank_id)
    LEFT JOIN checks USING (season, tank_id)
    LEFT JOIN events USING (season, tank_id)
    LEFT JOIN left_tank USING (season, tank_id)
    LEFT JOIN happened USING (season, tank_id)
    LEFT JOIN tested USING (season, tank_id)
)

SELECT * FROM final ORDER BY season, tank_id
