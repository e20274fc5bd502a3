-- tank_eggs
--
-- purpose: the eggs each tank got in a season, with its main batch (the one with most eggs) and how that came.
-- grain: one row per season and tank with at least one delivery.
-- reads: staged_deliveries
-- key: season, tank_id
-- returns:
--   season [season]: season
--   tank_id [code]: tank
--   batch_id [code]: main batch: most live eggs, then earliest
--   species [text]: species of the main batch
--   batches [count]: batches delivered to the tank
--   deliveries [count]: deliveries to the tank
--   main_batch_pct [%]: share of the live eggs that belong to the main batch
--   eggs [count]: live eggs on arrival, all deliveries
--   dead_on_arrival [count]: dead on arrival; NULL when no delivery says
--   lot_id [code]: trip or box of the main delivery
--   delivered_on [date]: date of the main delivery
--   delivered_at [local time]: moment of the main delivery
--   hour_known [true/false]: the hour of it was recorded
--   day_share [share of a day]: part of that day after the delivery
--   first_delivered_on [date]: date of the first delivery of any batch
--   last_delivered_on [date]: date of the last delivery of any batch
--   stage_at_delivery [text]: green, eyed, alevin
--   units_at_delivery_c_days [°C·d]: thermal units since fertilisation at the main delivery
--   units_source [text]: where they come from, as in staged_deliveries
--   units_doubt [text]: the open suspicion about them; NULL when none
--   hatchery_temp_c [°C]: mean incubation temperature before delivery
--   transit_hours [h]: time on the way
--   count_method [text]: how the eggs were counted
WITH deliveries AS (SELECT * FROM staged_deliveries),

per_batch AS (
    SELECT
        season,
        tank_id,
        batch_id,
        sum(eggs_live)::BIGINT AS batch_eggs,
        min(delivered_at) AS first_delivered_at
    FROM deliveries
    GROUP BY season, tank_id, batch_id
),

per_tank AS (
    SELECT
        season,
        tank_id,
        count(DISTINCT batch_id) AS batches,
        count(*) AS deliveries,
        sum(eggs_live)::BIGINT AS eggs,
        sum(eggs_dead_on_arrival)::BIGINT AS dead_on_arrival,
        min(delivered_on) AS first_delivered_on,
        max(delivered_on) AS last_delivered_on
    FROM deliveries
    GROUP BY season, tank_id
),

main_batch AS (
    SELECT *
    FROM per_batch
    QUALIFY row_number() OVER (
        PARTITION BY season, tank_id ORDER BY batch_eggs DESC NULLS LAST, first_delivered_at, batch_id
    ) = 1
),

main_delivery AS (
    SELECT deliveries.*, main_batch.batch_eggs
    FROM deliveries
    INNER JOIN main_batch USING (season, tank_id, batch_id)
    QUALIFY row_number() OVER (
        PARTITION BY season, tank_id ORDER BY eggs_live DESC NULLS LAST, delivered_at
    ) = 1
),

final AS (
    SELECT
        season,
        tank_id,
        main_delivery.batch_id,
        main_delivery.species,
        per_tank.batches,
        per_tank.deliveries,
        pct(main_delivery.batch_eggs, per_tank.eggs) AS main_batch_pct,
        per_tank.eggs,
        per_tank.dead_on_arrival,
        main_delivery.lot_id,
        main_delivery.delivered_on,
        main_delivery.delivered_at,
        main_delivery.hour_known,
        main_delivery.day_share,
        per_tank.first_delivered_on,
        per_tank.last_delivered_on,
        main_delivery.stage_at_delivery,
        main_delivery.units_at_delivery_c_days,
        main_delivery.units_source,
        main_delivery.units_doubt,
        main_delivery.hatchery_temp_c,
        main_delivery.transit_hours,
        main_delivery.count_method
    FROM per_tank
    INNER JOIN main_delivery USING (season, tank_id)
)

SELECT * FROM final ORDER BY season, tank_id
