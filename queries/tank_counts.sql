-- tank_counts
--
-- purpose: fish counted in each tank over a season: dead by stage, and those that left by fate.
-- grain: one row per season and tank with a set-up.
-- reads: staged_setups, staged_losses, staged_stages, staged_exits, tank_eggs, losses_cumulative, acknowledged
-- key: season, tank_id
-- returns:
--   season [season]: season
--   tank_id [code]: tank
--   hatch_reached [true/false]: something recorded shows that the eggs hatched or all died
--   hatch_picks_until [date]: last day on which a dead egg counts towards hatch: 14 days after hatch_all, or after
--     the latest date of a stage from hatch on; NULL (no limit) when no such date was recorded
--   egg_checks [count]: counted checks for dead eggs
--   dead_egg [count]: dead eggs picked in time; NULL without a counted check
--   late_picks [count]: dead eggs picked later
--   alevin_checks [count]: counted checks for dead alevins
--   dead_alevin [count]: dead alevins; NULL without a counted check
--   fry_checks [count]: counted checks for dead fry
--   dead_fry [count]: dead fry; NULL without a counted check
--   uncounted_checks [count]: checks whose number is not known
--   dead_total [count]: all dead counted; NULL without any counted check
--   last_dead_on [date]: last day on which any were found dead; NULL when none were
--   last_alive_on [date]: last day on which a stage was first seen, copies of a forecast left out
--   losses_look_cumulative [true/false]: an open suspicion says that the dead are a running total, not new ones
--   exit_rows [count]: groups of fish that left
--   released [count]: NULL, as the next six, when no exit was recorded
--   transferred_out [count]: moved to another tank
--   transferred_in [count]: came from another tank
--   retained [count]: kept
--   euthanised_surplus [count]: euthanised because they were too many
--   euthanised [count]: euthanised for any other reason, or none given
--   escaped [count]: got out of the tank
WITH setups AS (SELECT season, tank_id, end_reason FROM staged_setups),

losses AS (SELECT * FROM staged_losses),

stages AS (SELECT * FROM staged_stages),

exits AS (SELECT * FROM staged_exits),

eggs AS (SELECT season, tank_id, eggs FROM tank_eggs),

running_totals AS (
    SELECT DISTINCT season, tank_id
    FROM losses_cumulative
    ANTI JOIN acknowledged
        ON acknowledged.rule = 'losses_cumulative' AND acknowledged.tank_id IN (losses_cumulative.tank_id, '*')
),

-- A date of eyeing says nothing about the end of hatch, so only later stages can set the limit.
hatch_dates AS (
    SELECT
        season,
        tank_id,
        coalesce(max(first_seen_on) FILTER (WHERE stage = 'hatch_all'), max(first_seen_on)) + 14
            AS hatch_picks_until
    FROM stages
    WHERE stage <> 'eyed'
    GROUP BY season, tank_id
),

seen_alive AS (
    SELECT season, tank_id, max(first_seen_on) AS last_alive_on
    FROM stages
    WHERE dating <> 'copied_from_forecast'
    GROUP BY season, tank_id
),

dead AS (
    SELECT
        losses.season,
        losses.tank_id,
        count(dead) FILTER (WHERE stage = 'egg') AS egg_checks,
        sum(dead) FILTER (
            WHERE stage = 'egg' AND (hatch_picks_until IS NULL OR checked_on <= hatch_picks_until)
        )::BIGINT AS picked_in_time,
        sum(dead) FILTER (WHERE stage = 'egg' AND checked_on > hatch_picks_until)::BIGINT AS picked_late,
        count(dead) FILTER (WHERE stage = 'alevin') AS alevin_checks,
        sum(dead) FILTER (WHERE stage = 'alevin')::BIGINT AS dead_alevin,
        count(dead) FILTER (WHERE stage = 'fry') AS fry_checks,
        sum(dead) FILTER (WHERE stage = 'fry')::BIGINT AS dead_fry,
        count(*) FILTER (WHERE entry = 'unknown') AS uncounted_checks,
        sum(dead)::BIGINT AS dead_total,
        max(checked_on) FILTER (WHERE dead > 0) AS last_dead_on
    FROM losses
    LEFT JOIN hatch_dates USING (season, tank_id)
    GROUP BY losses.season, losses.tank_id
),

left_tank AS (
    SELECT
        season,
        tank_id,
        count(*) AS exit_rows,
        coalesce(sum(fish) FILTER (WHERE fate = 'released'), 0)::BIGINT AS released,
        coalesce(sum(fish) FILTER (WHERE fate = 'transferred_out'), 0)::BIGINT AS transferred_out,
        coalesce(sum(fish) FILTER (WHERE fate = 'transferred_in'), 0)::BIGINT AS transferred_in,
        coalesce(sum(fish) FILTER (WHERE fate = 'retained'), 0)::BIGINT AS retained,
        coalesce(sum(fish) FILTER (WHERE fate = 'euthanised' AND is_surplus), 0)::BIGINT AS euthanised_surplus,
        coalesce(sum(fish) FILTER (WHERE fate = 'euthanised' AND NOT is_surplus), 0)::BIGINT AS euthanised,
        coalesce(sum(fish) FILTER (WHERE fate = 'escaped'), 0)::BIGINT AS escaped
    FROM exits
    GROUP BY season, tank_id
),

final AS (
    SELECT
        season,
        tank_id,
        coalesce(
            hatch_dates.season IS NOT NULL
            OR dead.alevin_checks > 0
            OR dead.fry_checks > 0
            OR left_tank.exit_rows > 0
            OR setups.end_reason = 'lost_all'
            OR dead.picked_in_time >= eggs.eggs,
            false
        ) AS hatch_reached,
        hatch_dates.hatch_picks_until,
        coalesce(dead.egg_checks, 0) AS egg_checks,
        CASE WHEN dead.egg_checks > 0 THEN coalesce(dead.picked_in_time, 0) END AS dead_egg,
        CASE WHEN dead.egg_checks > 0 THEN coalesce(dead.picked_late, 0) END AS late_picks,
        coalesce(dead.alevin_checks, 0) AS alevin_checks,
        dead.dead_alevin,
        coalesce(dead.fry_checks, 0) AS fry_checks,
        dead.dead_fry,
        coalesce(dead.uncounted_checks, 0) AS uncounted_checks,
        dead.dead_total,
        dead.last_dead_on,
        seen_alive.last_alive_on,
        running_totals.season IS NOT NULL AS losses_look_cumulative,
        coalesce(left_tank.exit_rows, 0) AS exit_rows,
        left_tank.released,
        left_tank.transferred_out,
        left_tank.transferred_in,
        left_tank.retained,
        left_tank.euthanised_surplus,
        left_tank.euthanised,
        left_tank.escaped
    FROM setups
    LEFT JOIN eggs USING (season, tank_id)
    LEFT JOIN hatch_dates USING (season, tank_id)
    LEFT JOIN seen_alive USING (season, tank_id)
    LEFT JOIN dead USING (season, tank_id)
    LEFT JOIN left_tank USING (season, tank_id)
    LEFT JOIN running_totals USING (season, tank_id)
)

SELECT * FROM final ORDER BY season, tank_id
