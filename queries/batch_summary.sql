-- batch_summary
--
-- purpose: each batch with what the hatchery said, how it travelled, and how its tanks fared.
-- grain: one row per season and batch delivered to at least one tank.
-- reads: tank_seasons, tank_eggs, staged_deliveries, staged_batches
-- key: season, batch_id
-- returns:
--   season [season]: season
--   batch_id [code]: batch
--   donor_stock [code]: stock of the parents
--   species [text]: species
--   brood_year [year]: year the parents spawned
--   spawned_on [date]: spawning date
--   females_pooled [count]: females whose eggs were pooled
--   green_to_eyed_pct [%]: survival at the hatchery
--   regions [count]: regions it went to, in whatever tank
--   is_shared [true/false]: went to more than one region
--   lots [count]: trips or boxes in which it came
--   transit_hours_median [h]: median time on the way
--   units_at_delivery_median_c_days [°C·d]: median thermal units at delivery
--   tanks [count]: tanks that got it as their main batch, the one with most of their eggs; rates are theirs
--   tanks_mixed [count]: tanks that got it beside another batch
--   eggs [count]: its live eggs on arrival, in whatever tank
--   dead_on_arrival_pct [%]: dead on arrival ÷ all that arrived, deliveries that say
--   tanks_hatch [count]: tanks usable for hatch
--   hatch_q25_pct [%]: lower quartile of their hatch rates
--   hatch_median_pct [%]: median
--   hatch_q75_pct [%]: upper quartile
--   tanks_release [count]: tanks usable for delivered-to-release
--   release_q25_pct [%]: lower quartile of their rates, release-based
--   release_median_pct [%]: median
--   release_q75_pct [%]: upper quartile
--   loss_based_median_pct [%]: median of the loss-based rates of the same tanks
WITH tanks AS (SELECT * FROM tank_seasons WHERE delivered),

batches AS (SELECT * FROM staged_batches),

delivered AS (
    SELECT
        season,
        deliveries.batch_id,
        count(DISTINCT tanks.region) AS regions,
        count(DISTINCT deliveries.lot_id) AS lots,
        count(DISTINCT tank_id) FILTER (WHERE tank_eggs.batches > 1) AS tanks_mixed,
        sum(eggs_live)::BIGINT AS eggs,
        pct(
            sum(eggs_dead_on_arrival),
            sum(eggs_live + eggs_dead_on_arrival)
        ) AS dead_on_arrival_pct
    FROM staged_deliveries AS deliveries
    INNER JOIN tank_eggs USING (season, tank_id)
    INNER JOIN tanks USING (season, tank_id)
    GROUP BY season, deliveries.batch_id
),

rated AS (
    SELECT
        *,
        CASE WHEN usable_hatch THEN pct(hatched, eggs) END AS hatch_pct,
        CASE WHEN usable_release THEN pct(greatest(least(left_alive, eggs), 0), eggs) END AS release_pct
    FROM tanks
),

summed AS (
    SELECT
        season,
        batch_id,
        median(transit_hours) AS transit_hours_median,
        median(units_at_delivery_c_days) AS units_at_delivery_median_c_days,
        count(*) AS tanks,
        count(hatch_pct) AS tanks_hatch,
        quantile_cont(hatch_pct, 0.25) AS hatch_q25_pct,
        quantile_cont(hatch_pct, 0.50) AS hatch_median_pct,
        quantile_cont(hatch_pct, 0.75) AS hatch_q75_pct,
        count(release_pct) AS tanks_release,
        quantile_cont(release_pct, 0.25) AS release_q25_pct,
        quantile_cont(release_pct, 0.50) AS release_median_pct,
        quantile_cont(release_pct, 0.75) AS release_q75_pct,
        median(loss_based_pct) AS loss_based_median_pct
    FROM rated
    GROUP BY season, batch_id
),

final AS (
    SELECT
        season,
        batch_id,
        batches.donor_stock,
        batches.species,
        batches.brood_year,
        batches.spawned_on,
        batches.females_pooled,
        batches.green_to_eyed_pct,
        delivered.regions,
        delivered.regions > 1 AS is_shared,
        delivered.lots,
        summed.transit_hours_median,
        summed.units_at_delivery_median_c_days,
        coalesce(summed.tanks, 0) AS tanks,
        delivered.tanks_mixed,
        delivered.eggs,
        delivered.dead_on_arrival_pct,
        coalesce(summed.tanks_hatch, 0) AS tanks_hatch,
        summed.hatch_q25_pct,
        summed.hatch_median_pct,
        summed.hatch_q75_pct,
        coalesce(summed.tanks_release, 0) AS tanks_release,
        summed.release_q25_pct,
        summed.release_median_pct,
        summed.release_q75_pct,
        summed.loss_based_median_pct
    FROM delivered
    LEFT JOIN summed USING (season, batch_id)
    LEFT JOIN batches USING (batch_id)
)

SELECT * FROM final ORDER BY season, batch_id
