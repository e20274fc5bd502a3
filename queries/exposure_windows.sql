-- exposure_windows
--
-- purpose: what the water did while a tank's eggs, alevins and fry were at risk. Windows are set by thermal units of
--     the main batch, never by an observed date, and end early only where the tank's season ended.
-- grain: one row per season, tank with a delivery, and window.
-- reads: tank_eggs, thermal_units, daily_temperature, species_stage_units, staged_incidents, settings
-- key: season, tank_id, exposure_window
-- returns:
--   season [season]: season
--   tank_id [code]: tank
--   batch_id [code]: main batch, whose thermal units set the windows
--   exposure_window [text]: egg (delivery to hatch), alevin (hatch to button-up), fry (button-up to release),
--     after_hatch (hatch to release), whole (delivery to release)
--   starts_on [date]: first day; NULL when the tank never got there
--   ends_on [date]: last day
--   days [days]: days in the window
--   days_observed [days]: days with a usable reading
--   observed_pct [%]: share of days observed
--   interpolated_pct [%]: share of days interpolated
--   modelled_pct [%]: share of days modelled
--   missing_pct [%]: share of days without any value
--   is_cut_short [true/false]: the tank's season ended before the nominal end of the window
--   mean_water_temp_c [°C]: mean of daily means
--   se_mean_c [°C]: error of that mean from days not read
--   sd_daily_mean_c [°C]: standard deviation of daily means
--   mean_daily_range_c [°C]: mean of highest − lowest reading, days with four or more timed readings
--   largest_daily_range_c [°C]: largest such range of a single day
--   largest_rise_24h_c [°C]: largest rise between daily means of successive observed days; 0 when none rose, NULL
--     without two such days
--   largest_fall_24h_c [°C]: largest fall, likewise, as a positive number
--   days_with_hours [days]: days with four or more timed readings, on which the hours below rest
--   hours_above_warm [h]: above the warm limit, on days_with_hours; NULL without such days
--   hours_below_cold [h]: below the cold limit, likewise
--   max_7day_mean_of_daily_max_c [°C]: highest mean of daily maxima over seven successive days with hours
--   hours_interrupted [h]: power, chiller or pump stopped, where start and end have an hour; 0 without incidents
--   interruptions_of_unknown_length [count]: interruptions whose start or end has no hour
--   usable [true/false]: days are there, the units are not in doubt, and no more than the
--     setting's share is modelled or missing
--   usable_for_validation [true/false]: the same with the stricter share for model validation
--   note [text]: why it is not usable, or what to keep in mind
WITH eggs AS (SELECT * FROM tank_eggs),

units AS (SELECT * FROM thermal_units),

daily AS (SELECT * FROM daily_temperature),

nominal AS (SELECT * FROM species_stage_units),

incidents AS (SELECT * FROM staged_incidents WHERE is_interruption),

limits AS (SELECT exposure_max_missing_pct, validation_max_missing_pct FROM settings),

thresholds AS (
    SELECT
        species,
        max(units_c_days) FILTER (WHERE stage = 'hatch') AS hatch_c_days,
        max(units_c_days) FILTER (WHERE stage = 'button_up') AS button_up_c_days,
        max(units_c_days) FILTER (WHERE stage = 'release') AS release_c_days
    FROM nominal
    GROUP BY species
),

tanks AS (
    SELECT eggs.*, thresholds.hatch_c_days, thresholds.button_up_c_days, thresholds.release_c_days
    FROM eggs
    LEFT JOIN thresholds USING (species)
),

-- The last day of each stage: the first day by whose end the nominal units are reached.
boundaries AS (
    SELECT
        tanks.season,
        tanks.tank_id,
        tanks.batch_id,
        any_value(tanks.stage_at_delivery = 'alevin') AS came_as_alevins,
        min(units.day) AS starts_on,
        min(units.day) FILTER (WHERE units.units_c_days >= tanks.hatch_c_days) AS hatch_day,
        min(units.day) FILTER (WHERE units.units_c_days >= tanks.button_up_c_days) AS button_up_day,
        min(units.day) FILTER (WHERE units.units_c_days >= tanks.release_c_days) AS release_day,
        any_value(tanks.units_at_delivery_c_days) AS start_c_days,
        any_value(tanks.hatch_c_days) AS hatch_c_days,
        any_value(tanks.button_up_c_days) AS button_up_c_days,
        any_value(tanks.release_c_days) AS release_c_days
    FROM tanks
    INNER JOIN units USING (season, tank_id, batch_id)
    WHERE tanks.units_at_delivery_c_days IS NOT NULL AND tanks.release_c_days IS NOT NULL
    GROUP BY tanks.season, tanks.tank_id, tanks.batch_id
),

-- Eggs that came with the units of a stage already behind them were never at risk of it here.
last_days AS (
    SELECT
        season,
        tank_id,
        starts_on,
        CASE
            WHEN came_as_alevins OR start_c_days >= hatch_c_days THEN starts_on - 1
            ELSE coalesce(hatch_day, DATE '9999-12-31')
        END AS last_egg_day,
        CASE
            WHEN start_c_days >= button_up_c_days THEN starts_on - 1
            ELSE coalesce(button_up_day, DATE '9999-12-31')
        END AS last_alevin_day,
        CASE
            WHEN start_c_days >= release_c_days THEN starts_on - 1
            ELSE coalesce(release_day, DATE '9999-12-31')
        END AS last_fry_day
    FROM boundaries
),

days AS (
    SELECT
        last_days.season,
        last_days.tank_id,
        CASE
            WHEN daily.day <= last_days.last_egg_day THEN 'egg'
            WHEN daily.day <= last_days.last_alevin_day THEN 'alevin'
            ELSE 'fry'
        END AS stage,
        daily.* EXCLUDE (season, tank_id),
        (daily.water_temp_c * 1e6)::BIGINT AS millionths_c
    FROM daily
    INNER JOIN last_days
        ON daily.season = last_days.season
        AND daily.tank_id = last_days.tank_id
        AND daily.day BETWEEN last_days.starts_on AND last_days.last_fry_day
),

stages AS (
    SELECT
        season,
        tank_id,
        stage,
        min(day) AS starts_on,
        max(day) AS ends_on,
        count(*) AS days,
        count(*) FILTER (WHERE source = 'observed') AS days_observed,
        count(*) FILTER (WHERE source = 'interpolated') AS days_interpolated,
        count(*) FILTER (WHERE source = 'modelled') AS days_modelled,
        sum(millionths_c) AS sum_c,
        sum(millionths_c * millionths_c) AS sum_c2,
        sum((se_step_c2 * 1e9)::BIGINT) AS sum_se_c2,
        count(hours_read) AS days_with_hours,
        sum(((max_c - min_c) * 1e6)::BIGINT) FILTER (WHERE hours_read IS NOT NULL) AS sum_range_c,
        max(max_c - min_c) FILTER (WHERE hours_read IS NOT NULL) AS largest_daily_range_c,
        sum((hours_above_warm * 3.6e6)::BIGINT) AS sum_above,
        sum((hours_below_cold * 3.6e6)::BIGINT) AS sum_below,
        max(rise_c) AS largest_rise_c,
        min(rise_c) AS largest_fall_c,
        max(week_of_maxima_c) AS week_of_maxima_c
    FROM days
    GROUP BY season, tank_id, stage
),

-- The nominal end of a window and the stages it is made of.
windows (exposure_window, stage) AS (
    VALUES
    ('egg', 'egg'), ('alevin', 'alevin'), ('fry', 'fry'), ('after_hatch', 'alevin'), ('after_hatch', 'fry'),
    ('whole', 'egg'), ('whole', 'alevin'), ('whole', 'fry')
),

wanted AS (
    SELECT
        tanks.*,
        names.exposure_window,
        CASE names.exposure_window
            WHEN 'egg' THEN hatch_c_days WHEN 'alevin' THEN button_up_c_days ELSE release_c_days
        END AS ends_at_c_days
    FROM tanks
    CROSS JOIN (SELECT DISTINCT exposure_window FROM windows) AS names
),

joined AS (
    SELECT
        stages.season,
        stages.tank_id,
        windows.exposure_window,
        min(stages.starts_on) AS starts_on,
        max(stages.ends_on) AS ends_on,
        sum(days)::BIGINT AS days,
        sum(days_observed)::BIGINT AS days_observed,
        sum(days_interpolated)::BIGINT AS days_interpolated,
        sum(days_modelled)::BIGINT AS days_modelled,
        sum(sum_c)::DOUBLE AS sum_c,
        sum(sum_c2)::DOUBLE AS sum_c2,
        sum(sum_se_c2)::DOUBLE AS sum_se_c2,
        sum(days_with_hours)::BIGINT AS days_with_hours,
        sum(sum_range_c)::DOUBLE AS sum_range_c,
        max(largest_daily_range_c) AS largest_daily_range_c,
        sum(sum_above)::DOUBLE AS sum_above,
        sum(sum_below)::DOUBLE AS sum_below,
        max(largest_rise_c) AS largest_rise_c,
        min(largest_fall_c) AS largest_fall_c,
        max(week_of_maxima_c) AS week_of_maxima_c
    FROM stages
    INNER JOIN windows USING (stage)
    GROUP BY stages.season, stages.tank_id, windows.exposure_window
),

reached AS (
    SELECT season, tank_id, batch_id, max(units_c_days) AS reached_c_days FROM units GROUP BY season, tank_id, batch_id
),

interrupted AS (
    SELECT
        joined.season,
        joined.tank_id,
        joined.exposure_window,
        sum(
            (epoch(least(incidents.ended_at, (joined.ends_on + 1)::TIMESTAMP))
            - epoch(greatest(incidents.started_at, joined.starts_on::TIMESTAMP)))::BIGINT
        ) FILTER (WHERE incidents.length_hours IS NOT NULL) / 3600.0 AS hours_interrupted,
        count(*) FILTER (WHERE incidents.length_hours IS NULL) AS interruptions_of_unknown_length
    FROM joined
    INNER JOIN incidents
        ON joined.season = incidents.season
        AND joined.tank_id = incidents.tank_id
        AND incidents.started_at < (joined.ends_on + 1)::TIMESTAMP
        AND coalesce(incidents.ended_at, incidents.started_at) >= joined.starts_on::TIMESTAMP
    GROUP BY joined.season, joined.tank_id, joined.exposure_window
),

measured AS (
    SELECT
        wanted.season,
        wanted.tank_id,
        wanted.batch_id,
        wanted.exposure_window,
        joined.starts_on,
        joined.ends_on,
        coalesce(joined.days, 0) AS days,
        coalesce(joined.days_observed, 0) AS days_observed,
        pct(joined.days_observed, joined.days) AS observed_pct,
        pct(joined.days_interpolated, joined.days) AS interpolated_pct,
        pct(joined.days_modelled, joined.days) AS modelled_pct,
        pct(
            joined.days - joined.days_observed - joined.days_interpolated - joined.days_modelled, joined.days
        ) AS missing_pct,
        reached.reached_c_days < wanted.ends_at_c_days AS is_cut_short,
        joined.sum_c / joined.days / 1e6 AS mean_water_temp_c,
        sqrt(joined.sum_se_c2 / 1e9) / joined.days AS se_mean_c,
        CASE
            WHEN joined.days > 1
                THEN sqrt(greatest(joined.sum_c2 - joined.sum_c * joined.sum_c / joined.days, 0.0) / (joined.days - 1))
                    / 1e6
        END AS sd_daily_mean_c,
        joined.sum_range_c / 1e6 / nullif(joined.days_with_hours, 0) AS mean_daily_range_c,
        joined.largest_daily_range_c,
        -- greatest() would turn 'not known' into 0
        CASE WHEN joined.largest_rise_c IS NOT NULL THEN greatest(joined.largest_rise_c, 0.0) END
            AS largest_rise_24h_c,
        CASE WHEN joined.largest_fall_c IS NOT NULL THEN greatest(-joined.largest_fall_c, 0.0) END
            AS largest_fall_24h_c,
        coalesce(joined.days_with_hours, 0) AS days_with_hours,
        joined.sum_above / 3.6e6 AS hours_above_warm,
        joined.sum_below / 3.6e6 AS hours_below_cold,
        joined.week_of_maxima_c AS max_7day_mean_of_daily_max_c,
        CASE WHEN joined.days > 0 THEN coalesce(interrupted.hours_interrupted, 0.0) END AS hours_interrupted,
        CASE
            WHEN joined.days > 0 THEN coalesce(interrupted.interruptions_of_unknown_length, 0)
        END AS interruptions_of_unknown_length,
        wanted.units_at_delivery_c_days,
        wanted.units_doubt,
        wanted.hatch_c_days,
        wanted.ends_at_c_days,
        wanted.stage_at_delivery
    FROM wanted
    LEFT JOIN joined USING (season, tank_id, exposure_window)
    LEFT JOIN reached USING (season, tank_id, batch_id)
    LEFT JOIN interrupted USING (season, tank_id, exposure_window)
),

final AS (
    SELECT
        measured.* EXCLUDE (units_at_delivery_c_days, units_doubt, hatch_c_days, ends_at_c_days, stage_at_delivery),
        days > 0
        AND units_doubt IS NULL
        AND coalesce(modelled_pct, 0) + coalesce(missing_pct, 0) <= exposure_max_missing_pct AS usable,
        days > 0
        AND units_doubt IS NULL
        AND coalesce(modelled_pct, 0) + coalesce(missing_pct, 0) <= validation_max_missing_pct
            AS usable_for_validation,
        CASE
            WHEN ends_at_c_days IS NULL THEN 'no nominal thermal units for this species: declare them in the settings'
            WHEN units_at_delivery_c_days IS NULL THEN 'thermal units at delivery not known'
            WHEN units_doubt IS NOT NULL THEN 'thermal units at delivery in doubt: ' || units_doubt
            WHEN exposure_window = 'egg' AND stage_at_delivery = 'alevin' THEN 'delivered as alevins'
            WHEN exposure_window = 'egg' AND units_at_delivery_c_days >= hatch_c_days
                THEN 'thermal units at delivery are already those of hatch; look at their unit'
            WHEN days = 0 AND is_cut_short THEN 'the tank ended before this window'
            WHEN days = 0 THEN 'no readings and no set point'
            WHEN NOT usable THEN 'too few days read'
            WHEN is_cut_short THEN 'window cut short: the tank was emptied, or its records end, before'
        END AS note
    FROM measured
    CROSS JOIN limits
)

SELECT * FROM final ORDER BY season, tank_id, exposure_window
