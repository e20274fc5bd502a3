-- accounting
--
-- purpose: how many tanks got from supply to a usable result, and the bounds that the silent ones leave.
-- grain: one row per season, region and main batch (blank for tanks without a delivery).
-- reads: tank_seasons
-- key: season, region, batch_id
-- returns:
--   season [season]: season
--   region [code]: region
--   batch_id [code]: main batch; NULL for tanks that got no eggs
--   tanks_supplied [count]: set-ups
--   delivered [count]: of these, got live eggs
--   reported_start [count]: of these, sent a record
--   reported_end [count]: of these, said what became of their fish
--   usable [count]: of these, usable for delivered-to-release
--   usable_hatch [count]: delivered tanks usable for hatch
--   stopped_reporting [count]: delivered − reported_end
--   eggs [count]: live eggs delivered
--   eggs_dead_on_arrival [count]: dead on arrival
--   eggs_in_usable [count]: live eggs in usable tanks
--   left_alive [count]: left alive from usable tanks, capped at their eggs
--   alive_at_most_elsewhere [count]: live eggs of the other delivered tanks less the dead counted there
--   reported_pct [%]: left_alive ÷ eggs_in_usable
--   bound_all_died_pct [%]: the rate if every egg in the other delivered tanks died
--   bound_all_lived_pct [%]: the rate if every egg in the other delivered tanks lived that was not counted dead
WITH tanks AS (SELECT * FROM tank_seasons),

capped AS (
    SELECT
        *,
        CASE WHEN usable_release THEN greatest(least(left_alive, eggs), 0) END AS alive_of_eggs,
        CASE WHEN NOT usable_release THEN alive_at_most(eggs, dead_total, losses_look_cumulative) END AS may_be_alive
    FROM tanks
),

final AS (
    SELECT
        season,
        region,
        batch_id,
        count(*) AS tanks_supplied,
        count(*) FILTER (WHERE delivered) AS delivered,
        count(*) FILTER (WHERE delivered AND reported_start) AS reported_start,
        count(*) FILTER (WHERE delivered AND reported_end) AS reported_end,
        count(*) FILTER (WHERE usable_release) AS usable,
        count(*) FILTER (WHERE usable_hatch) AS usable_hatch,
        count(*) FILTER (WHERE delivered AND NOT reported_end) AS stopped_reporting,
        coalesce(sum(capped.eggs), 0)::BIGINT AS eggs,
        coalesce(sum(dead_on_arrival), 0)::BIGINT AS eggs_dead_on_arrival,
        coalesce(sum(capped.eggs) FILTER (WHERE usable_release), 0)::BIGINT AS eggs_in_usable,
        coalesce(sum(alive_of_eggs), 0)::BIGINT AS left_alive,
        coalesce(sum(may_be_alive), 0)::BIGINT AS alive_at_most_elsewhere,
        pct(
            coalesce(sum(alive_of_eggs), 0),
            sum(capped.eggs) FILTER (WHERE usable_release)
        ) AS reported_pct,
        pct(coalesce(sum(alive_of_eggs), 0), sum(capped.eggs))
            AS bound_all_died_pct,
        pct(coalesce(sum(alive_of_eggs), 0) + coalesce(sum(may_be_alive), 0), sum(capped.eggs))
            AS bound_all_lived_pct
    FROM capped
    GROUP BY season, region, batch_id
)

SELECT * FROM final ORDER BY season, region, batch_id
