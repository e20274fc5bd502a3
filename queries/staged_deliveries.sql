-- staged_deliveries
--
-- purpose: deliveries with their season, thermal units in °C·d whatever unit they were written in, and the part
--     of the delivery day that was still to come.
-- grain: one row per delivery of a batch to a tank, in a season with a set-up.
-- reads: deliveries, staged_setups, staged_batches, looks_fahrenheit_units, units_restarted, acknowledged, settings
-- key: season, tank_id, batch_id, delivered_at
-- returns:
--   season [season]: season of the delivery
--   tank_id [code]: tank
--   batch_id [code]: batch
--   species [text]: species of the batch
--   lot_id [code]: trip or transport box
--   delivered_at [local time]: moment of delivery; midnight when only the date is known
--   delivered_on [date]: date of delivery
--   hour_known [true/false]: the hour of delivery was recorded
--   day_share [share of a day]: part of the delivery day after the delivery; 0.5 when the hour is not known
--   stage_at_delivery [text]: green, eyed, alevin
--   units_at_delivery_c_days [°C·d]: thermal units since fertilisation, as recorded or estimated
--   units_source [text]: recorded; from_spawning (days since spawning × hatchery temperature); at_fertilisation
--     (green eggs delivered on the day they were spawned); NULL when not known
--   units_doubt [text]: the open suspicion about these units: looks_fahrenheit_units or units_restarted; NULL when none
--   hatchery_temp_c [°C]: mean incubation temperature before delivery
--   eggs_live [count]: alive on arrival
--   eggs_dead_on_arrival [count]: dead on arrival
--   count_method [text]: how the eggs were counted
--   transit_hours [h]: time on the way
--   box_temp_c [°C]: temperature in the box at the hand-over
--   tank_temp_c [°C]: temperature in the tank at the hand-over
WITH deliveries_as_read AS (SELECT * FROM deliveries),

setups AS (SELECT season, tank_id FROM staged_setups),

batches AS (SELECT batch_id, species, spawned_on FROM staged_batches),

suspected AS (
    SELECT 'looks_fahrenheit_units' AS rule, tank_id, upload, line FROM looks_fahrenheit_units
    UNION ALL
    SELECT 'units_restarted', tank_id, upload, line FROM units_restarted
),

doubts AS (
    SELECT upload, line, min(rule) AS units_doubt
    FROM suspected
    ANTI JOIN acknowledged
        ON suspected.rule = acknowledged.rule AND acknowledged.tank_id IN (suspected.tank_id, '*')
    GROUP BY upload, line
),

dated AS (
    SELECT
        *,
        delivered_on AS delivered_at,
        delivered_on::DATE AS delivered_day,
        season_of(delivered_on) AS season,
        share_of_day_left(delivered_on, delivered_on_has_hour) AS day_share,
        celsius_days(thermal_units_at_delivery, thermal_unit) AS recorded_units_c_days
    FROM deliveries_as_read
),

with_batch AS (
    SELECT
        dated.*,
        doubts.units_doubt,
        batches.species,
        CASE
            WHEN dated.delivered_day >= batches.spawned_on
                THEN (dated.delivered_day - batches.spawned_on) * dated.hatchery_temp_c
        END AS units_from_spawning_c_days,
        dated.stage_at_delivery = 'green' AND dated.delivered_day = batches.spawned_on AS is_just_fertilised
    FROM dated
    LEFT JOIN batches USING (batch_id)
    LEFT JOIN doubts USING (upload, line)
),

final AS (
    SELECT
        season,
        tank_id,
        batch_id,
        species,
        lot_id,
        delivered_at,
        delivered_day AS delivered_on,
        delivered_on_has_hour AS hour_known,
        day_share,
        stage_at_delivery::VARCHAR AS stage_at_delivery,
        coalesce(
            recorded_units_c_days,
            units_from_spawning_c_days,
            CASE WHEN is_just_fertilised THEN 0.0 END
        ) AS units_at_delivery_c_days,
        CASE
            WHEN recorded_units_c_days IS NOT NULL THEN 'recorded'
            WHEN units_from_spawning_c_days IS NOT NULL THEN 'from_spawning'
            WHEN is_just_fertilised THEN 'at_fertilisation'
        END AS units_source,
        units_doubt,
        hatchery_temp_c,
        eggs_live,
        eggs_dead_on_arrival,
        count_method::VARCHAR AS count_method,
        transit_hours,
        box_temp_c,
        tank_temp_c
    FROM with_batch
    INNER JOIN setups USING (season, tank_id)
)

SELECT * FROM final ORDER BY season, tank_id, batch_id, delivered_at
