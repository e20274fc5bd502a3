-- observed_stages
--
-- purpose: development events as intervals of days after delivery, ready for a model with censored times. Dates
--     count to the end of their day: the event lies after the end of the last date without it and by the end of the
--     first date with it.
-- grain: one row per season, tank and stage.
-- reads: staged_stages, tank_eggs, daily_temperature, thermal_units, settings
-- key: season, tank_id, stage
-- returns:
--   season [season]: season
--   tank_id [code]: tank
--   batch_id [code]: main batch
--   species [text]: its species
--   stage [text]: eyed, hatch_first, hatch_half, hatch_all, button_up, first_feeding
--   last_absent_on [date]: last date on which someone looked and it had not happened
--   first_seen_on [date]: first date on which it was seen
--   dating [text]: seen, inferred, copied_from_forecast
--   delivered_on [date]: date of the main delivery
--   day_share [share of a day]: part of that day after the delivery
--   absent_day [days]: end of last_absent_on in days after delivery; 0 (delivery) when nobody looked before
--   seen_day [days]: end of first_seen_on in days after delivery: the end of the delivery day is day_share
--   units_at_delivery_c_days [°C·d]: thermal units at the main delivery
--   hatchery_temp_c [°C]: mean incubation temperature before it
--   not_read_pct [%]: share of days from delivery to first_seen_on without readings (modelled or missing)
--   se_units_c_days [°C·d]: error of the thermal units up to first_seen_on from days that were not read
--   gap_se_days [days]: the same as days by which the event may seem moved, at the mean temperature since delivery
--   gap_from [date]: first day of the longest stretch before first_seen_on that had to be modelled
--   gap_to [date]: its last day
--   readings_wanted [count]: about how many readings in that stretch would have kept the record; 0 where it is kept
--   usable [true/false]: fit to fit and to score models; a long gap is no reason while the error it brings is small
--   why_not [text]: why it is not usable
WITH events AS (SELECT * FROM staged_stages),

eggs AS (SELECT * FROM tank_eggs),

daily AS (SELECT season, tank_id, day, source FROM daily_temperature),

units AS (
    SELECT season, tank_id, batch_id, day, days_since_delivery, units_since_delivery_c_days, se_units_c_days
    FROM thermal_units
),

limits AS (SELECT validation_max_gap_se_days FROM settings),

-- Two dates for one event of a season: the earlier sighting stays.
first_sighting AS (
    SELECT *
    FROM events
    QUALIFY row_number() OVER (
        PARTITION BY season, tank_id, stage ORDER BY first_seen_on, last_absent_on NULLS LAST
    ) = 1
),

placed AS (
    SELECT
        season,
        tank_id,
        eggs.batch_id,
        eggs.species,
        first_sighting.stage,
        first_sighting.last_absent_on,
        first_sighting.first_seen_on,
        first_sighting.dating,
        first_sighting.equals_forecast,
        eggs.delivered_on,
        eggs.day_share,
        greatest(
            coalesce((first_sighting.last_absent_on - eggs.delivered_on) + eggs.day_share, 0.0), 0.0
        ) AS absent_day,
        (first_sighting.first_seen_on - eggs.delivered_on) + eggs.day_share AS seen_day,
        eggs.units_at_delivery_c_days,
        eggs.units_doubt,
        eggs.hatchery_temp_c,
        eggs.batches,
        eggs.stage_at_delivery
    FROM first_sighting
    LEFT JOIN eggs USING (season, tank_id)
),

read_days AS (
    SELECT
        placed.season,
        placed.tank_id,
        placed.stage,
        count(*) FILTER (WHERE daily.source IN ('observed', 'interpolated')) AS days_known
    FROM placed
    INNER JOIN daily
        ON placed.season = daily.season
        AND placed.tank_id = daily.tank_id
        AND daily.day BETWEEN placed.delivered_on AND placed.first_seen_on
    GROUP BY placed.season, placed.tank_id, placed.stage
),

-- Days that follow each other without a reading lie as many days from their place in the row of all of them.
modelled_days AS (
    SELECT
        placed.season,
        placed.tank_id,
        placed.stage,
        daily.day,
        daily.day - row_number() OVER (
            PARTITION BY placed.season, placed.tank_id, placed.stage ORDER BY daily.day
        )::INTEGER AS stretch
    FROM placed
    INNER JOIN daily
        ON placed.season = daily.season
        AND placed.tank_id = daily.tank_id
        AND daily.day BETWEEN placed.delivered_on AND placed.first_seen_on
        AND daily.source = 'modelled'
),

longest_gap AS (
    SELECT season, tank_id, stage, min(day) AS gap_from, max(day) AS gap_to
    FROM modelled_days
    GROUP BY season, tank_id, stage, stretch
    QUALIFY row_number() OVER (PARTITION BY season, tank_id, stage ORDER BY count(*) DESC, gap_from) = 1
),

with_gaps AS (
    SELECT
        placed.*,
        longest_gap.gap_from,
        longest_gap.gap_to,
        units.se_units_c_days,
        units.se_units_c_days / nullif(units.units_since_delivery_c_days / units.days_since_delivery, 0.0)
            AS gap_se_days
    FROM placed
    LEFT JOIN longest_gap USING (season, tank_id, stage)
    LEFT JOIN units
        ON placed.season = units.season
        AND placed.tank_id = units.tank_id
        AND placed.batch_id = units.batch_id
        AND placed.first_seen_on = units.day
),

judged AS (
    SELECT
        placed.*,
        pct(
            (placed.first_seen_on - placed.delivered_on + 1) - coalesce(read_days.days_known, 0),
            placed.first_seen_on - placed.delivered_on + 1
        ) AS not_read_pct,
        CASE
            WHEN placed.delivered_on IS NULL THEN 'no delivery recorded'
            WHEN placed.dating = 'copied_from_forecast' THEN 'copied from a forecast'
            WHEN placed.equals_forecast THEN 'equals a forecast to the day'
            WHEN placed.dating <> 'seen' THEN 'inferred, not seen'
            WHEN placed.first_seen_on < placed.delivered_on THEN 'seen before delivery'
            WHEN placed.last_absent_on >= placed.first_seen_on THEN 'absent after it was seen'
            WHEN placed.stage_at_delivery = 'eyed' AND placed.stage = 'eyed' THEN 'delivered already eyed'
            WHEN placed.stage_at_delivery = 'alevin' AND placed.stage NOT IN ('button_up', 'first_feeding')
                THEN 'delivered as alevins'
            WHEN placed.batches > 1 THEN 'eggs of more than one batch'
            WHEN placed.units_at_delivery_c_days IS NULL THEN 'thermal units at delivery not known'
            WHEN placed.units_doubt IS NOT NULL THEN 'thermal units at delivery in doubt: ' || placed.units_doubt
            WHEN gap_se_days IS NULL OR gap_se_days > limits.validation_max_gap_se_days
                THEN 'too many days without readings'
        END AS why_not,
        -- A gap cut into k parts has errors of its own in each: the error of their sum falls by the root of k.
        CASE
            WHEN why_not = 'too many days without readings'
                THEN ceil((gap_se_days / limits.validation_max_gap_se_days) ** 2)::BIGINT - 1
            ELSE 0
        END AS readings_wanted
    FROM with_gaps AS placed
    CROSS JOIN limits
    LEFT JOIN read_days USING (season, tank_id, stage)
),

final AS (
    SELECT
        season,
        tank_id,
        batch_id,
        species,
        stage,
        last_absent_on,
        first_seen_on,
        dating,
        delivered_on,
        day_share,
        absent_day,
        seen_day,
        units_at_delivery_c_days,
        hatchery_temp_c,
        not_read_pct,
        se_units_c_days,
        gap_se_days,
        gap_from,
        gap_to,
        readings_wanted,
        why_not IS NULL AS usable,
        why_not
    FROM judged
)

SELECT * FROM final ORDER BY season, tank_id, first_seen_on, stage
