-- thermal_units
--
-- purpose: thermal units since fertilisation at the end of each day, for every batch a tank holds. Units are the
--     daily mean above 0 °C; the delivery day counts by the part of it that was left, half where the hour is unknown.
-- grain: one row per season, tank, batch and day from its delivery on.
-- reads: daily_temperature, staged_deliveries
-- key: season, tank_id, batch_id, day
-- returns:
--   season [season]: season
--   tank_id [code]: tank
--   batch_id [code]: batch
--   day [date]: local day
--   day_share [share of a day]: part of the day that counts: the part left after delivery, then 1
--   days_since_delivery [days]: sum of day_share to the end of that day, the time axis of observed_stages
--   units_since_delivery_c_days [°C·d]: sum of day_share × daily mean above 0 °C
--   units_c_days [°C·d]: the same with the units at delivery; NULL where these are not known
--   units_with_delivery_day_c_days [°C·d]: as units_c_days, the whole delivery day counted
--   units_without_delivery_day_c_days [°C·d]: as units_c_days, the delivery day not counted
--   se_units_c_days [°C·d]: error of the sum from days that were not read
--   water_temp_c [°C]: daily mean, as in daily_temperature
--   source [text]: observed, interpolated, modelled
WITH daily AS (SELECT season, tank_id, day, water_temp_c, se_step_c2, source FROM daily_temperature),

deliveries AS (SELECT * FROM staged_deliveries),

-- A batch that came to a tank twice starts with its larger delivery.
first_of_batch AS (
    SELECT season, tank_id, batch_id, delivered_on, day_share, units_at_delivery_c_days
    FROM deliveries
    QUALIFY row_number() OVER (
        PARTITION BY season, tank_id, batch_id ORDER BY eggs_live DESC NULLS LAST, delivered_at
    ) = 1
),

counted AS (
    SELECT
        daily.season,
        daily.tank_id,
        first_of_batch.batch_id,
        daily.day,
        CASE WHEN daily.day = first_of_batch.delivered_on THEN first_of_batch.day_share ELSE 1.0 END AS day_share,
        (daily.day - first_of_batch.delivered_on) + first_of_batch.day_share AS days_since_delivery,
        first_of_batch.day_share AS delivery_day_share,
        CASE WHEN daily.day = first_of_batch.delivered_on THEN greatest(daily.water_temp_c, 0.0) END
            AS delivery_day_c_days,
        first_of_batch.units_at_delivery_c_days,
        greatest(daily.water_temp_c, 0.0) AS warmth_c,
        daily.water_temp_c,
        daily.se_step_c2,
        daily.source
    FROM daily
    INNER JOIN first_of_batch
        ON daily.season = first_of_batch.season
        AND daily.tank_id = first_of_batch.tank_id
        AND daily.day >= first_of_batch.delivered_on
),

summed AS (
    SELECT
        *,
        sum(day_share * warmth_c) OVER so_far AS units_since_delivery_c_days,
        sqrt(sum(se_step_c2) OVER so_far) AS se_units_c_days,
        sum(delivery_day_c_days) OVER so_far AS whole_delivery_day_c_days
    FROM counted
    WINDOW so_far AS (PARTITION BY season, tank_id, batch_id ORDER BY day ROWS UNBOUNDED PRECEDING)
),

final AS (
    SELECT
        season,
        tank_id,
        batch_id,
        day,
        day_share,
        days_since_delivery,
        units_since_delivery_c_days,
        units_at_delivery_c_days + units_since_delivery_c_days AS units_c_days,
        units_c_days + (1.0 - delivery_day_share) * whole_delivery_day_c_days AS units_with_delivery_day_c_days,
        units_c_days - delivery_day_share * whole_delivery_day_c_days AS units_without_delivery_day_c_days,
        se_units_c_days,
        water_temp_c,
        source
    FROM summed
)

SELECT * FROM final
