-- tank_seasons
--
-- purpose: everything a comparison needs to know about one tank in one season: where it stood, what eggs it got,
--     what became of them, and which of its outcomes can be used.
-- grain: one row per season and tank with a set-up.
-- reads: staged_setups, staged_sites, staged_tanks, staged_batches, tank_eggs, tank_counts, tank_balances,
--     record_coverage, exposure_windows
-- key: season, tank_id
-- returns:
--   season [season]: season
--   tank_id [code]: tank
--   site_id [code]: site
--   region [code]: region of the site
--   site_kind [text]: kind of site
--   water_source [text]: where its water comes from
--   weekend_access [true/false]: someone looks at the tank on weekends
--   site_seasons [count]: seasons the site has hosted a tank, this one included
--   species [text]: species of the main batch
--   batch_id [code]: main batch, the one with most live eggs
--   batches [count]: batches in the tank
--   main_batch_pct [%]: share of its eggs that belong to the main batch
--   donor_stock [code]: stock of the main batch
--   brood_year [year]: year its parents spawned
--   green_to_eyed_pct [%]: its survival at the hatchery
--   lot_id [code]: trip or box of the main delivery
--   delivered_on [date]: date of the main delivery
--   stage_at_delivery [text]: green, eyed, alevin
--   units_at_delivery_c_days [°C·d]: thermal units since fertilisation at delivery
--   units_doubt [text]: the open suspicion about these units; NULL when none
--   hatchery_temp_c [°C]: mean incubation temperature before delivery
--   transit_hours [h]: time on the way
--   count_method [text]: how the eggs were counted
--   chiller_age_years [years]: season − year the chiller was put in service
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
--   disinfection_hours [h]: how long
--   filled_on [date]: date the tank was filled and started
--   conditioning_days [days]: from filling to the first delivery
--   media_carried_over_pct [%]: share of filter media kept from the season before
--   has_logger [true/false]: at least one usable reading of a logger this season
--   end_reason [text]: why the season ended
--   closed_on [date]: date the tank was emptied
--   eggs [count]: live eggs on arrival, all deliveries; NULL without a delivery
--   dead_on_arrival [count]: dead on arrival, not part of eggs
--   dead_egg [count]: dead eggs counted towards hatch; NULL without a counted check
--   dead_alevin [count]: dead alevins; NULL without a counted check
--   dead_fry [count]: dead fry; NULL without a counted check
--   late_picks [count]: dead eggs picked too late to count towards hatch
--   dead_total [count]: all dead counted
--   uncounted_checks [count]: checks whose number of dead is not known
--   losses_look_cumulative [true/false]: an open suspicion says that the dead are a running total; the counts stay as
--     written, but nothing rests on them
--   hatched [count]: eggs − dead_egg, not below 0; NULL unless usable_hatch
--   released [count]: released; NULL, as the next, when no exit was recorded and the tank was not lost
--   transferred_out [count]: moved to another tank
--   transferred_in [count]: came from another tank
--   retained [count]: kept
--   euthanised_surplus [count]: euthanised because they were too many; counted as alive
--   euthanised [count]: euthanised for any other reason; not counted as alive
--   escaped [count]: got out of the tank
--   left_alive [count]: released + transferred_out + retained + euthanised_surplus − transferred_in; 0 for a tank
--     that ended as lost_all or is taken as lost; NULL unless reported_end
--   counting_sd [fish]: one standard deviation of the counting error of eggs and exits together
--   unaccounted [count]: eggs − dead_total − left_alive − euthanised − escaped; negative when more were counted
--     out than in; NULL unless both ends were counted
--   excess [count]: left_alive above the eggs, 0 when none; NULL unless usable_release
--   release_based_pct [%]: left_alive ÷ eggs, may exceed 100 through counting error; NULL unless usable_release
--   loss_based_pct [%]: 1 − dead_total ÷ eggs, may fall below 0; NULL unless usable_release
--   last_record_on [date]: last record of any kind
--   delivered [true/false]: got eggs
--   reported_start [true/false]: sent at least one record about its eggs or water
--   reported_end [true/false]: said what became of its fish, or that all were lost
--   taken_as_lost [true/false]: no fish left it and no end is on record, but the dead are as many as the eggs, and no
--     stage was seen after the last of them: nothing was left
--   hatch_contradicted [true/false]: more dead eggs were counted than were delivered, beyond the counting error
--   release_contradicted [true/false]: more were left alive than were delivered, beyond the counting error
--   usable_hatch [true/false]: hatch can be used
--   usable_release [true/false]: delivered-to-release can be used
--   why_unusable [text]: why not, hatch first
--   mean_water_temp_c_egg [°C]: mean of the egg window; NULL where that exposure is not usable
--   mean_water_temp_c_after_hatch [°C]: likewise, hatch to release
--   mean_water_temp_c_whole [°C]: likewise, delivery to release
WITH setups AS (SELECT * FROM staged_setups),

sites AS (SELECT * FROM staged_sites),

tanks AS (SELECT * FROM staged_tanks),

batches AS (SELECT * FROM staged_batches),

eggs AS (SELECT * FROM tank_eggs),

counts AS (SELECT * FROM tank_counts),

balances AS (SELECT season, tank_id, counting_sd FROM tank_balances),

coverage AS (SELECT * FROM record_coverage),

exposures AS (
    SELECT
        season,
        tank_id,
        any_value(mean_water_temp_c) FILTER (WHERE exposure_window = 'egg') AS mean_water_temp_c_egg,
        any_value(mean_water_temp_c) FILTER (WHERE exposure_window = 'after_hatch') AS mean_water_temp_c_after_hatch,
        any_value(mean_water_temp_c) FILTER (WHERE exposure_window = 'whole') AS mean_water_temp_c_whole
    FROM exposure_windows
    WHERE usable
    GROUP BY season, tank_id
),

site_history AS (
    SELECT
        site_id,
        season,
        row_number() OVER (PARTITION BY site_id ORDER BY season) AS seasons_recorded
    FROM (SELECT DISTINCT site_id, season FROM setups)
),

judged AS (
    SELECT
        setups.season,
        setups.tank_id,
        eggs.eggs,
        counts.exit_rows > 0 AS has_exits,
        eggs.eggs > 0 AS was_delivered,
        -- Up to a tenth more dead than eggs is miscounting (common practice, no source); with more, one of the two is
        -- wrong, and which one nobody knows.
        coalesce(
            was_delivered AND NOT has_exits AND setups.end_reason IS DISTINCT FROM 'released'
            AND setups.end_reason IS DISTINCT FROM 'lost_all' AND NOT counts.losses_look_cumulative
            AND counts.dead_total BETWEEN eggs.eggs AND 1.1 * eggs.eggs
            AND (counts.last_alive_on IS NULL OR counts.last_alive_on <= counts.last_dead_on),
            false
        ) AS taken_as_lost,
        coalesce(setups.end_reason = 'lost_all', false) OR taken_as_lost AS was_lost,
        NOT was_lost AND NOT counts.losses_look_cumulative
            AND beyond_counting(counts.dead_egg, eggs.eggs, balances.counting_sd) AS hatch_contradicted,
        CASE
            WHEN eggs.eggs IS NULL THEN 'no delivery recorded'
            WHEN eggs.eggs = 0 THEN 'no live eggs delivered'
        END AS no_eggs,
        CASE
            WHEN eggs.stage_at_delivery = 'alevin' THEN 'delivered as alevins'
            WHEN was_lost AND NOT has_exits AND counts.egg_checks = 0 AND counts.alevin_checks = 0
                AND counts.fry_checks = 0 THEN 'all lost, stage of the losses not recorded'
            WHEN counts.losses_look_cumulative THEN 'dead look like a running total'
            WHEN taken_as_lost THEN NULL
            WHEN counts.egg_checks = 0 THEN 'dead eggs never counted'
            WHEN NOT counts.hatch_reached THEN 'stopped reporting before hatch'
            WHEN hatch_contradicted THEN 'more dead eggs counted than were delivered'
        END AS no_hatch,
        CASE
            WHEN was_lost THEN NULL
            WHEN setups.end_reason = 'not_reported' THEN 'stopped reporting before the end'
            WHEN NOT has_exits AND setups.end_reason = 'released' THEN 'released, but no count recorded'
            WHEN NOT has_exits AND setups.end_reason IS NOT NULL
                THEN 'ended as ' || setups.end_reason || ', no count recorded'
            WHEN NOT has_exits THEN 'no exit recorded'
        END AS no_end,
        CASE
            WHEN no_eggs IS NULL AND no_end IS NULL
                THEN coalesce(
                    counts.released + counts.transferred_out + counts.retained + counts.euthanised_surplus
                    - counts.transferred_in,
                    0
                )
        END AS left_alive,
        beyond_counting(left_alive, eggs.eggs, balances.counting_sd) AS release_contradicted,
        CASE
            WHEN release_contradicted THEN 'more left alive than were delivered'
            ELSE no_end
        END AS no_release,
        balances.counting_sd
    FROM setups
    LEFT JOIN eggs USING (season, tank_id)
    LEFT JOIN counts USING (season, tank_id)
    LEFT JOIN balances USING (season, tank_id)
),

usable AS (
    SELECT
        *,
        coalesce(no_eggs, no_hatch) IS NULL AS usable_hatch,
        coalesce(no_eggs, no_release) IS NULL AS usable_release,
        nullif(concat_ws('; ', coalesce(no_eggs, no_hatch), CASE WHEN no_eggs IS NULL THEN no_release END), '')
            AS why_unusable
    FROM judged
),

balanced AS (
    SELECT
        usable.*,
        counts.* EXCLUDE (season, tank_id),
        CASE WHEN usable_hatch THEN greatest(usable.eggs - coalesce(counts.dead_egg, 0), 0) END AS hatched
    FROM usable
    INNER JOIN counts USING (season, tank_id)
),

final AS (
    SELECT
        setups.season,
        setups.tank_id,
        setups.site_id,
        sites.region,
        sites.site_kind,
        sites.water_source,
        sites.weekend_access,
        site_history.seasons_recorded
        + greatest(coalesce(sites.first_recorded_season - sites.first_season, 0), 0) AS site_seasons,
        eggs.species,
        eggs.batch_id,
        coalesce(eggs.batches, 0) AS batches,
        eggs.main_batch_pct,
        batches.donor_stock,
        batches.brood_year,
        batches.green_to_eyed_pct,
        eggs.lot_id,
        eggs.delivered_on,
        eggs.stage_at_delivery,
        eggs.units_at_delivery_c_days,
        eggs.units_doubt,
        eggs.hatchery_temp_c,
        eggs.transit_hours,
        eggs.count_method,
        CASE WHEN setups.season >= tanks.chiller_year THEN setups.season - tanks.chiller_year END
            AS chiller_age_years,
        tanks.filter_kind,
        tanks.volume_l,
        setups.room_type,
        setups.room_temp_c,
        setups.gravel_practice,
        setups.gravel_depth_cm,
        setups.stone_diameter_mm,
        setups.crushed_shell,
        setups.light_cover,
        setups.insulated,
        setups.set_point_c,
        setups.differential_c,
        setups.disinfectant,
        setups.disinfection_hours,
        setups.filled_on,
        eggs.first_delivered_on - setups.filled_on AS conditioning_days,
        setups.media_carried_over_pct,
        coverage.days_with_logger > 0 AS has_logger,
        setups.end_reason,
        setups.closed_on,
        balanced.eggs,
        eggs.dead_on_arrival,
        balanced.dead_egg,
        balanced.dead_alevin,
        balanced.dead_fry,
        balanced.late_picks,
        balanced.dead_total,
        balanced.uncounted_checks,
        balanced.losses_look_cumulative,
        balanced.hatched,
        CASE WHEN was_lost THEN coalesce(balanced.released, 0) ELSE balanced.released END AS released,
        CASE WHEN was_lost THEN coalesce(balanced.transferred_out, 0) ELSE balanced.transferred_out END
            AS transferred_out,
        CASE WHEN was_lost THEN coalesce(balanced.transferred_in, 0) ELSE balanced.transferred_in END
            AS transferred_in,
        CASE WHEN was_lost THEN coalesce(balanced.retained, 0) ELSE balanced.retained END AS retained,
        CASE WHEN was_lost THEN coalesce(balanced.euthanised_surplus, 0) ELSE balanced.euthanised_surplus END
            AS euthanised_surplus,
        CASE WHEN was_lost THEN coalesce(balanced.euthanised, 0) ELSE balanced.euthanised END AS euthanised,
        CASE WHEN was_lost THEN coalesce(balanced.escaped, 0) ELSE balanced.escaped END AS escaped,
        balanced.left_alive,
        balanced.counting_sd,
        CASE
            WHEN NOT balanced.losses_look_cumulative
                THEN balanced.eggs - balanced.dead_total - balanced.left_alive
                    - coalesce(balanced.euthanised, 0) - coalesce(balanced.escaped, 0)
        END AS unaccounted,
        CASE WHEN usable_release THEN greatest(balanced.left_alive - balanced.eggs, 0) END AS excess,
        CASE WHEN usable_release THEN pct(balanced.left_alive, balanced.eggs) END AS release_based_pct,
        CASE
            WHEN usable_release AND NOT balanced.losses_look_cumulative
                THEN pct(balanced.eggs - balanced.dead_total, balanced.eggs)
        END AS loss_based_pct,
        coverage.last_record_on,
        coalesce(was_delivered, false) AS delivered,
        coalesce(was_delivered AND (coverage.last_record_on IS NOT NULL OR was_lost), false) AS reported_start,
        balanced.left_alive IS NOT NULL AS reported_end,
        taken_as_lost,
        hatch_contradicted,
        release_contradicted,
        usable_hatch,
        usable_release,
        why_unusable,
        exposures.mean_water_temp_c_egg,
        exposures.mean_water_temp_c_after_hatch,
        exposures.mean_water_temp_c_whole
    FROM setups
    INNER JOIN balanced USING (season, tank_id)
    LEFT JOIN sites USING (site_id)
    LEFT JOIN site_history USING (site_id, season)
    LEFT JOIN tanks USING (tank_id)
    LEFT JOIN eggs USING (season, tank_id)
    LEFT JOIN batches USING (batch_id)
    LEFT JOIN coverage USING (season, tank_id)
    LEFT JOIN exposures USING (season, tank_id)
)

SELECT * FROM final ORDER BY season, tank_id
