-- watch_states
--
-- purpose: what called for a look at a tank while its season ran, and on which days: silence, water too warm or too
--     cold, losses beyond what its stage usually loses in a week, water tests beyond the limits, eggs without a
--     set-up. Each row rests on records up to its first day alone, so that any day can be looked at afterwards.
-- grain: one row per season, tank, kind, measure and stretch of days in which nothing about it changed.
-- reads: staged_setups, staged_deliveries, staged_losses, staged_stages, staged_exits, staged_incidents,
--     staged_water_tests, tank_stays, daily_readings, water_limits, losses_cumulative, deliveries, settings
-- key: season, tank_id, kind, measure, holds_from
-- returns:
--   season [season]: season
--   tank_id [code]: tank
--   kind [text]: silent, warm, cold, losses, water, no_setup
--   measure [text]: stage that lost fish, or what was measured in the water; blank otherwise
--   since [date]: first day on which it held, without a break
--   holds_from [date]: first day of this row; warm and cold: the day of the reading
--   holds_to [date]: last day of this row, the day before the tank's end at most
--   value [as named by kind]: warm: the day's highest reading, cold: its mean, °C; losses: share of the eggs counted
--     dead in the seven days up to holds_from, %; water: the test; NULL otherwise
--   limit_value [as value]: what it lies beyond
--   counted_on [date]: last day up to holds_from on which dead were counted; NULL when none were, as the next two
--   dead_then [count]: dead found on that day
--   dead_in_all [count]: dead found up to that day
--   eggs [count]: live eggs delivered
WITH lived AS (SELECT * FROM tank_stays),

record_days AS (
    SELECT season_of(day) AS season, tank_id, day FROM daily_readings
    UNION
    SELECT season, tank_id, delivered_on FROM staged_deliveries
    UNION
    SELECT season, tank_id, checked_on FROM staged_losses
    UNION
    SELECT season, tank_id, first_seen_on FROM staged_stages
    UNION
    SELECT season, tank_id, exited_on FROM staged_exits
    UNION
    SELECT season, tank_id, started_at::DATE FROM staged_incidents
    UNION
    SELECT season, tank_id, tested_on FROM staged_water_tests
),

silences AS (
    SELECT
        season,
        tank_id,
        day + silent_days + 1 AS since,
        lead(day) OVER (PARTITION BY season, tank_id ORDER BY day) - 1 AS holds_to
    FROM record_days
    CROSS JOIN settings
),

-- A tank that is set to be cold is no surprise: only what lies 1.5 °C below its set point is (common practice, no
-- source).
days_read AS (
    SELECT
        setups.season,
        readings.tank_id,
        readings.day,
        max(readings.max_c) AS highest_c,
        min(readings.mean_c) AS mean_c,
        any_value(warm_limit_c) AS warm_limit_c,
        any_value(least(cold_limit_c, setups.set_point_c - 1.5)) AS cold_limit_c,
        lead(readings.day) OVER (PARTITION BY setups.season, readings.tank_id ORDER BY readings.day) AS next_read_on
    FROM daily_readings AS readings
    CROSS JOIN settings
    INNER JOIN staged_setups AS setups
        ON readings.tank_id = setups.tank_id AND readings.day BETWEEN season_starts_on AND season_ends_on
    GROUP BY setups.season, readings.tank_id, readings.day
),

extremes AS (
    SELECT season, tank_id, day, next_read_on, 'warm' AS kind, highest_c AS value, warm_limit_c AS limit_value
    FROM days_read
    WHERE highest_c > warm_limit_c
    UNION ALL
    SELECT season, tank_id, day, next_read_on, 'cold', mean_c, cold_limit_c
    FROM days_read
    WHERE mean_c < cold_limit_c
),

counted AS (
    SELECT season, tank_id, stage, checked_on AS day, dead, eggs
    FROM staged_losses
    INNER JOIN lived USING (season, tank_id)
    ANTI JOIN losses_cumulative USING (season, tank_id)
    WHERE dead IS NOT NULL AND eggs > 0
),

totals AS (
    SELECT
        season,
        tank_id,
        day,
        sum(dead)::BIGINT AS dead_then,
        sum(sum(dead)) OVER (PARTITION BY season, tank_id ORDER BY day)::BIGINT AS dead_in_all
    FROM counted
    GROUP BY season, tank_id, day
),

-- Days on which somebody is on record to have looked at the fish: a logger's reading is no look.
looks AS (
    SELECT season, tank_id, checked_on AS day
    FROM staged_losses
    WHERE dead IS NOT NULL
    UNION
    SELECT season, tank_id, first_seen_on
    FROM staged_stages
    WHERE first_seen_on IS NOT NULL
),

-- What was lost in the seven days up to a day changes when a count comes in, and when it is seven days old.
changing AS (
    SELECT season, tank_id, stage, day, sum(dead) AS dead, any_value(eggs) AS eggs, bool_or(is_check) AS is_check
    FROM (
        SELECT *, true AS is_check FROM counted
        UNION ALL
        SELECT season, tank_id, stage, day + 7, 0, eggs, false FROM counted
    )
    GROUP BY season, tank_id, stage, day
),

lost AS (
    SELECT
        season,
        tank_id,
        stage,
        day,
        is_check,
        100.0 * dead / eggs AS found_pct,
        100.0 * sum(dead) OVER (
            of_stage RANGE BETWEEN INTERVAL 6 DAYS PRECEDING AND CURRENT ROW
        ) / eggs AS value,
        coalesce(lead(day) OVER of_stage - day, 1) - 1 AS lasts_days
    FROM changing
    WINDOW of_stage AS (PARTITION BY season, tank_id, stage ORDER BY day)
),

-- What a stage usually lost in a week is told from earlier seasons: were this one asked too, many tanks that lose fish
-- at once would pass for usual. With fewer than 100 counted checks before it is five in a hundred, and never more than
-- ten: that calls for a look wherever it happens (common practice, no source).
checks AS (SELECT season, stage, value FROM lost WHERE is_check),

usual AS (
    SELECT
        seasons.season,
        seasons.stage,
        CASE
            WHEN count(checks.value) >= 100
                THEN least(greatest(quantile_cont(checks.value, 0.99), 3.0), 10.0)
            ELSE 5.0
        END AS limit_value
    FROM (SELECT DISTINCT season, stage FROM lost) AS seasons
    LEFT JOIN checks ON seasons.stage = checks.stage AND seasons.season > checks.season
    GROUP BY ALL
),

-- What one look found beyond the limit is asked after until somebody has looked again, for three weeks at most (common
-- practice, no source): of a tank seen once a week the list is often made before the next look is on record.
losses AS (
    SELECT
        lost.season,
        lost.tank_id,
        lost.stage AS measure,
        lost.day,
        'losses' AS kind,
        lost.value,
        usual.limit_value,
        CASE
            WHEN lost.found_pct > usual.limit_value
                THEN greatest(lost.lasts_days, least(coalesce(looks.day - lost.day - 1, 21), 21))
            ELSE lost.lasts_days
        END AS lasts_days
    FROM lost
    INNER JOIN usual USING (season, stage)
    ASOF LEFT JOIN looks
        ON lost.season = looks.season AND lost.tank_id = looks.tank_id AND lost.day < looks.day
    WHERE lost.value > usual.limit_value
),

-- Days on which a short-lived state was met, and for how many days after it holds; longer when it is met again. A
-- reading holds for three days, and until it is ten days old while none follows: a tank read once a week is as warm
-- as it was read.
met AS (
    SELECT
        season,
        tank_id,
        kind,
        '' AS measure,
        day,
        value,
        limit_value,
        greatest(2, least(coalesce(next_read_on - day - 1, 10), 10)) AS lasts_days
    FROM extremes
    UNION ALL
    SELECT season, tank_id, kind, measure, day, value, limit_value, lasts_days FROM losses
),

stretches AS (
    SELECT
        *,
        sum(starts::INTEGER) OVER of_kind AS stretch,
        lead(day) OVER of_kind AS next_day
    FROM (
        SELECT *, coalesce(day > lag(day + lasts_days::INTEGER) OVER of_kind + 1, true) AS starts
        FROM met
        WINDOW of_kind AS (PARTITION BY season, tank_id, kind, measure ORDER BY day)
    )
    WINDOW of_kind AS (PARTITION BY season, tank_id, kind, measure ORDER BY day)
),

tests AS (
    SELECT
        staged_water_tests.season,
        staged_water_tests.tank_id,
        analyte AS measure,
        tested_on AS day,
        value,
        CASE WHEN value > high THEN high ELSE low END AS limit_value,
        NOT below_detection AND (coalesce(value < low, false) OR coalesce(value > high, false)) AS is_beyond,
        lead(tested_on) OVER of_tank AS next_day
    FROM staged_water_tests
    INNER JOIN water_limits USING (analyte)
    WINDOW of_tank AS (PARTITION BY season, tank_id, analyte ORDER BY tested_on)
),

-- A test says nothing of the water four weeks on.
tests_in_runs AS (
    SELECT
        *,
        sum((NOT is_beyond)::INTEGER) OVER (PARTITION BY season, tank_id, measure ORDER BY day) AS run
    FROM tests
),

without_setup AS (
    SELECT
        season_of(delivered_on::DATE) AS season,
        tank_id,
        min(delivered_on::DATE) AS since
    FROM deliveries
    GROUP BY ALL
),

states AS (
    SELECT
        season,
        tank_id,
        'silent' AS kind,
        '' AS measure,
        since,
        since AS holds_from,
        holds_to,
        NULL AS value,
        NULL AS limit_value
    FROM silences
    UNION ALL
    SELECT
        season,
        tank_id,
        kind,
        measure,
        min(day) OVER (PARTITION BY season, tank_id, kind, measure, stretch),
        day,
        least(day + lasts_days::INTEGER, next_day - 1),
        value,
        limit_value
    FROM stretches
    UNION ALL
    SELECT
        season,
        tank_id,
        'water',
        measure,
        min(day) FILTER (WHERE is_beyond) OVER (PARTITION BY season, tank_id, measure, run),
        day,
        least(day + 27, next_day - 1),
        value,
        limit_value
    FROM tests_in_runs
    QUALIFY is_beyond
),

final AS (
    SELECT
        states.season,
        states.tank_id,
        states.kind,
        states.measure,
        states.since,
        states.holds_from,
        least(states.holds_to, lived.ends_on - 1) AS holds_to,
        states.value,
        states.limit_value,
        totals.day AS counted_on,
        totals.dead_then,
        totals.dead_in_all,
        lived.eggs
    FROM states
    INNER JOIN lived USING (season, tank_id)
    ASOF LEFT JOIN totals
        ON states.season = totals.season AND states.tank_id = totals.tank_id AND states.holds_from >= totals.day
    WHERE states.holds_from >= lived.starts_on AND states.holds_from < lived.ends_on
        AND states.holds_from <= coalesce(states.holds_to, states.holds_from)
    UNION ALL
    SELECT
        season,
        tank_id,
        'no_setup',
        '',
        since,
        since,
        make_date(season + 1, season_start_month, season_start_day) - 1,
        NULL,
        NULL,
        NULL,
        NULL,
        NULL,
        NULL
    FROM without_setup
    CROSS JOIN settings
    ANTI JOIN staged_setups USING (season, tank_id)
)

SELECT * FROM final ORDER BY season, tank_id, kind, measure, holds_from
