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
WITH daily AS (SELECT * FROM daily_temperature),

deliveries AS (SELECT * FROM staged_deliveries),

-- A batch that came to a tank twice starts with its larger delivery.
first_of_batch AS (
    SELECT season, tank_id, batch_id, delivered_on, day_share, units_at_delivery_c_days
    FROM deliveries
    QUALIFY row_number() OVER (
        PARTITION BY season, tank_id, batch_id ORDER BY eggs_live DESC NULLS LAST, delivered_at
    ) = 1
),

-- Where the running sums of the tank stood at the end of the delivery day. A tank without a value that day has none.
starts AS (
    SELECT
        first_of_batch.*,
        daily.setup_number,
        greatest(daily.water_temp_c, 0.0) AS delivery_day_c_days,
        daily.warmth_so_far_c_days AS start_c_days,
        daily.variance_so_far_c2 - daily.se_step_c2 AS start_c2
    FROM first_of_batch
    INNER JOIN daily
        ON first_of_batch.season = daily.season
        AND first_of_batch.tank_id = daily.tank_id
        AND first_of_batch.delivered_on = daily.day
),

final AS (
    SELECT
        starts.season,
        starts.tank_id,
        starts.batch_id,
        daily.day,
        CASE WHEN daily.day = starts.delivered_on THEN starts.day_share ELSE 1.0 END AS day_share,
        (daily.day - starts.delivered_on) + starts.day_share AS days_since_delivery,
        daily.warmth_so_far_c_days - starts.start_c_days + starts.day_share * starts.delivery_day_c_days
            AS units_since_delivery_c_days,
        starts.units_at_delivery_c_days + units_since_delivery_c_days AS units_c_days,
        units_c_days + (1.0 - starts.day_share) * starts.delivery_day_c_days AS units_with_delivery_day_c_days,
        units_c_days - starts.day_share * starts.delivery_day_c_days AS units_without_delivery_day_c_days,
        sqrt(greatest(daily.variance_so_far_c2 - starts.start_c2, 0.0)) AS se_units_c_days,
        daily.water_temp_c,
        daily.source
    FROM daily
    INNER JOIN starts ON daily.setup_number = starts.setup_number AND daily.day >= starts.delivered_on
)

SELECT * FROM final
