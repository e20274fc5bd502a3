-- tank_outcomes
--
-- purpose: the frame that models and comparisons receive: trials and survivors of each outcome of each tank, with
--     everything they adjust for beside them.
-- grain: one row per season, tank and outcome, for tanks with a delivery.
-- reads: tank_seasons, exposure_windows
-- key: season, tank_id, outcome
-- returns:
--   season [season]: season
--   tank_id [code]: tank
--   outcome [text]: hatch (hatched ÷ live eggs delivered), hatch_to_release (left alive ÷ hatched),
--     delivered_to_release (left alive ÷ live eggs delivered)
--   eggs [count]: trials of the outcome: live eggs, or hatched for hatch_to_release; NULL when not usable
--   survivors [count]: survivors, not above the trials nor below 0; NULL when not usable
--   raw_survivors [count]: survivors as counted
--   excess [count]: survivors above the trials, 0 when none
--   usable [true/false]: both numbers are there and the trials are more than none
--   why_unusable [text]: why not
--   counts_disagree [true/false]: it cannot be used because more were counted at its end than at its start, or more
--     dead than there were eggs, beyond the counting error
--   eggs_delivered [count]: live eggs on arrival, whatever the outcome
--   dead_on_arrival [count]: dead eggs in the delivery
--   dead_egg [count]: eggs counted dead in the tank, whatever the outcome; NULL when none was counted
--   dead_alevin [count]: alevins counted dead, likewise
--   dead_fry [count]: fry counted dead, likewise
--   late_picks [count]: dead eggs picked too late to count towards hatch
--   unaccounted [count]: neither counted dead nor seen to leave; NULL when the end is not known
--   losses_look_cumulative [true/false]: the dead counts look like running totals
--   mean_water_temp_c [°C]: mean of the outcome's window; NULL where that exposure is not usable
--   sd_daily_mean_c [°C]: standard deviation of daily means in that window, likewise
--   hours_above_warm [h]: above the warm limit in that window, likewise
--   hours_below_cold [h]: below the cold limit in that window, likewise
--   largest_rise_24h_c [°C]: largest rise in that window, likewise
--   max_7day_mean_of_daily_max_c [°C]: warmest week in that window, as mean of its daily maxima, likewise
--   hours_interrupted [h]: power, chiller or pump stopped in that window
--   observed_pct [%]: share of that window's days that were read
--   site_id [code]: site
--   region [code]: region of the site
--   site_kind [text]: kind of site
--   water_source [text]: where its water comes from
--   weekend_access [true/false]: someone looks at the tank on weekends
--   site_seasons [count]: seasons the site has hosted a tank, this one included
--   species [text]: species of the main batch
--   batch_id [code]: main batch
--   batches [count]: batches in the tank
--   donor_stock [code]: stock of the main batch
--   lot_id [code]: trip or box of the main delivery
--   delivered_on [date]: date of the main delivery
--   stage_at_delivery [text]: green, eyed, alevin
--   units_at_delivery_c_days [°C·d]: thermal units since fertilisation at delivery
--   hatchery_temp_c [°C]: mean incubation temperature before delivery
--   transit_hours [h]: time on the way
--   count_method [text]: how the eggs were counted
--   chiller_age_years [years]: age of the chiller
--   filter_kind [text]: kind of filter
--   volume_l [L]: water volume
--   room_type [text]: kind of room
--   room_temp_c [°C]: usual temperature of the room
--   gravel_practice [text]: what lay on the bottom
--   gravel_depth_cm [cm]: depth of gravel
--   stone_diameter_mm [mm]: diameter of stones
--   crushed_shell [true/false]: crushed shell in the tank
--   light_cover [true/false]: covered against light
--   insulated [true/false]: insulated
--   set_point_c [°C]: target of the controller
--   differential_c [°C]: full on-off width of the controller
--   disinfectant [text]: agent used before filling
--   conditioning_days [days]: from filling to the first delivery
--   media_carried_over_pct [%]: share of filter media kept
--   has_logger [true/false]: a logger was read this season
--   end_reason [text]: why the season ended
WITH tanks AS (SELECT * FROM tank_seasons WHERE delivered),

exposures AS (SELECT * FROM exposure_windows),

outcomes (outcome, exposure_window) AS (
    VALUES ('hatch', 'egg'), ('hatch_to_release', 'after_hatch'), ('delivered_to_release', 'whole')
),

counted AS (
    SELECT
        tanks.*,
        outcomes.outcome,
        outcomes.exposure_window,
        usable_hatch AND usable_release AND beyond_counting(left_alive, hatched, counting_sd) AS hatched_too_few,
        CASE outcomes.outcome
            WHEN 'hatch' THEN hatch_contradicted
            WHEN 'hatch_to_release' THEN hatch_contradicted OR release_contradicted OR hatched_too_few
            ELSE release_contradicted
        END AS counts_disagree,
        CASE outcomes.outcome
            WHEN 'hatch' THEN usable_hatch
            WHEN 'hatch_to_release' THEN usable_hatch AND usable_release AND hatched > 0 AND NOT hatched_too_few
            ELSE usable_release
        END AS usable,
        CASE WHEN outcomes.outcome = 'hatch_to_release' THEN hatched ELSE tanks.eggs END AS trials,
        CASE WHEN outcomes.outcome = 'hatch' THEN hatched ELSE left_alive END AS raw_survivors
    FROM tanks
    CROSS JOIN outcomes
),

final AS (
    SELECT
        counted.season,
        counted.tank_id,
        counted.outcome,
        CASE WHEN counted.usable THEN counted.trials END AS eggs,
        CASE WHEN counted.usable THEN greatest(least(counted.raw_survivors, counted.trials), 0) END AS survivors,
        CASE WHEN counted.usable THEN counted.raw_survivors END AS raw_survivors,
        CASE WHEN counted.usable THEN greatest(counted.raw_survivors - counted.trials, 0) END AS excess,
        counted.usable,
        CASE
            WHEN counted.usable THEN NULL
            WHEN counted.hatched_too_few AND counted.outcome = 'hatch_to_release' THEN 'more left alive than hatched'
            WHEN counted.hatched = 0 AND counted.outcome = 'hatch_to_release' AND counted.usable_release
                THEN 'none hatched'
            ELSE counted.why_unusable
        END AS why_unusable,
        counted.counts_disagree,
        counted.eggs AS eggs_delivered,
        counted.dead_on_arrival,
        counted.dead_egg,
        counted.dead_alevin,
        counted.dead_fry,
        counted.late_picks,
        counted.unaccounted,
        counted.losses_look_cumulative,
        CASE WHEN exposures.usable THEN exposures.mean_water_temp_c END AS mean_water_temp_c,
        CASE WHEN exposures.usable THEN exposures.sd_daily_mean_c END AS sd_daily_mean_c,
        CASE WHEN exposures.usable THEN exposures.hours_above_warm END AS hours_above_warm,
        CASE WHEN exposures.usable THEN exposures.hours_below_cold END AS hours_below_cold,
        CASE WHEN exposures.usable THEN exposures.largest_rise_24h_c END AS largest_rise_24h_c,
        CASE WHEN exposures.usable THEN exposures.max_7day_mean_of_daily_max_c END AS max_7day_mean_of_daily_max_c,
        exposures.hours_interrupted,
        exposures.observed_pct,
        counted.site_id,
        counted.region,
        counted.site_kind,
        counted.water_source,
        counted.weekend_access,
        counted.site_seasons,
        counted.species,
        counted.batch_id,
        counted.batches,
        counted.donor_stock,
        counted.lot_id,
        counted.delivered_on,
        counted.stage_at_delivery,
        counted.units_at_delivery_c_days,
        counted.hatchery_temp_c,
        counted.transit_hours,
        counted.count_method,
        counted.chiller_age_years,
        counted.filter_kind,
        counted.volume_l,
        counted.room_type,
        counted.room_temp_c,
        counted.gravel_practice,
        counted.gravel_depth_cm,
        counted.stone_diameter_mm,
        counted.crushed_shell,
        counted.light_cover,
        counted.insulated,
        counted.set_point_c,
        counted.differential_c,
        counted.disinfectant,
        counted.conditioning_days,
        counted.media_carried_over_pct,
        counted.has_logger,
        counted.end_reason
    FROM counted
    LEFT JOIN exposures USING (season, tank_id, exposure_window)
)

SELECT * FROM final ORDER BY season, tank_id, outcome
