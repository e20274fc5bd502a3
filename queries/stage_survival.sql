-- stage_survival
--
-- purpose: survival by stage, each stage starting from the survivors of the one before, both ways of reckoning.
-- grain: one row per season, species, stage and estimate.
-- reads: tank_seasons
-- key: season, species, stage_order, estimate
-- returns:
--   season [season]: season
--   species [text]: species of the main batch
--   stage [text]: hatch (delivery to hatch), hatch_to_button_up, button_up_to_release, hatch_to_release,
--     delivered_to_release
--   stage_order [number]: 1 to 5, for sorting
--   estimate [text]: release_based (by the fish that left) or loss_based (by the dead counted); hatch and
--     hatch_to_button_up rest on the dead counted either way
--   tanks [count]: tanks with both numbers, which do not contradict each other
--   tanks_delivered [count]: tanks that got eggs
--   eggs [count]: alive at the start of the stage in these tanks
--   survivors [count]: alive at its end, capped at those at the start
--   pooled_pct [%]: survivors ÷ eggs
--   tank_mean_pct [%]: mean of the tanks' own rates
--   tank_sd_pct [%]: standard deviation of the tanks' own rates; NULL for one tank
--   tank_se_pct [%]: standard error of tank_mean_pct: what an interval must carry
--   tank_q25_pct [%]: lower quartile of the tanks' rates
--   tank_median_pct [%]: median of the tanks' rates
--   tank_q75_pct [%]: upper quartile of the tanks' rates
--   bound_all_died_pct [%]: pooled rate if all eggs of tanks without the numbers died; only for stages that start at
--     delivery
--   bound_all_lived_pct [%]: pooled rate if all of them lived that were not counted dead, likewise
--   tanks_with_excess [count]: of these, tanks where more came out than went in
--   tanks_contradicted [count]: tanks left out because more came out than went in, beyond the counting error
WITH tanks AS (SELECT * FROM tank_seasons WHERE delivered),

alive AS (
    SELECT
        season,
        species,
        tank_id,
        eggs,
        hatched,
        CASE WHEN dead_alevin IS NOT NULL OR dead_fry IS NOT NULL THEN hatched - coalesce(dead_alevin, 0) END
            AS buttoned_up,
        left_alive,
        counting_sd,
        alive_at_most(eggs, dead_egg, losses_look_cumulative) AS hatched_at_most,
        alive_at_most(eggs, dead_total, losses_look_cumulative) AS alive_at_most,
        CASE WHEN usable_release AND NOT losses_look_cumulative THEN eggs - dead_total END AS not_dead
    FROM tanks
),

stages AS (
    SELECT season, species, tank_id, 'hatch' AS stage, 1 AS stage_order, 'loss_based' AS estimate,
        eggs AS at_start, hatched AS at_end, eggs, hatched_at_most AS at_most, counting_sd
    FROM alive
    UNION ALL
    SELECT season, species, tank_id, 'hatch_to_button_up', 2, 'loss_based', hatched, buttoned_up, eggs, alive_at_most, counting_sd FROM alive
    UNION ALL
    SELECT season, species, tank_id, 'button_up_to_release', 3, 'release_based', buttoned_up, left_alive, eggs, alive_at_most, counting_sd
    FROM alive
    UNION ALL
    SELECT season, species, tank_id, 'button_up_to_release', 3, 'loss_based', buttoned_up, not_dead, eggs, alive_at_most, counting_sd FROM alive
    UNION ALL
    SELECT season, species, tank_id, 'hatch_to_release', 4, 'release_based', hatched, left_alive, eggs, alive_at_most, counting_sd FROM alive
    UNION ALL
    SELECT season, species, tank_id, 'hatch_to_release', 4, 'loss_based', hatched, not_dead, eggs, alive_at_most, counting_sd FROM alive
    UNION ALL
    SELECT season, species, tank_id, 'delivered_to_release', 5, 'release_based', eggs, left_alive, eggs, alive_at_most, counting_sd FROM alive
    UNION ALL
    SELECT season, species, tank_id, 'delivered_to_release', 5, 'loss_based', eggs, not_dead, eggs, alive_at_most, counting_sd FROM alive
),

rated AS (
    SELECT
        *,
        beyond_counting(at_end, at_start, counting_sd) AS is_contradicted,
        at_start > 0 AND at_end IS NOT NULL AND NOT is_contradicted AS has_both,
        CASE WHEN has_both THEN greatest(least(at_end, at_start), 0) END AS survivors,
        CASE WHEN has_both THEN pct(greatest(least(at_end, at_start), 0), at_start) END AS rate_pct
    FROM stages
),

summed AS (
    SELECT
        season,
        species,
        stage,
        stage_order,
        estimate,
        count(rate_pct) AS tanks,
        count(*) AS tanks_delivered,
        coalesce(sum(at_start) FILTER (WHERE has_both), 0)::BIGINT AS eggs_at_start,
        coalesce(sum(survivors), 0)::BIGINT AS survivors,
        fsum(rate_pct ORDER BY tank_id) / count(rate_pct) AS tank_mean_pct,
        round(stddev_samp(rate_pct), 9) AS tank_sd_pct,
        quantile_cont(rate_pct, 0.25) AS tank_q25_pct,
        quantile_cont(rate_pct, 0.50) AS tank_median_pct,
        quantile_cont(rate_pct, 0.75) AS tank_q75_pct,
        sum(eggs)::BIGINT AS all_eggs,
        coalesce(sum(at_most) FILTER (WHERE NOT has_both), 0)::BIGINT AS silent_at_most,
        count(*) FILTER (WHERE has_both AND at_end > at_start) AS tanks_with_excess,
        count(*) FILTER (WHERE is_contradicted) AS tanks_contradicted
    FROM rated
    GROUP BY season, species, stage, stage_order, estimate
),

final AS (
    SELECT
        season,
        species,
        stage,
        stage_order,
        estimate,
        tanks,
        tanks_delivered,
        eggs_at_start AS eggs,
        survivors,
        pct(survivors, eggs_at_start) AS pooled_pct,
        tank_mean_pct,
        tank_sd_pct,
        tank_sd_pct / sqrt(tanks) AS tank_se_pct,
        tank_q25_pct,
        tank_median_pct,
        tank_q75_pct,
        CASE WHEN stage IN ('hatch', 'delivered_to_release') THEN pct(survivors, all_eggs) END AS bound_all_died_pct,
        CASE WHEN stage IN ('hatch', 'delivered_to_release') THEN pct(survivors + silent_at_most, all_eggs) END
            AS bound_all_lived_pct,
        tanks_with_excess,
        tanks_contradicted
    FROM summed
)

SELECT * FROM final ORDER BY season, species, stage_order, estimate DESC
