-- staged_trials
--
-- purpose: practices assigned at random, beside what the tank's set-up says was done.
-- grain: one row per season, tank and practice assigned; a tank that was never set up keeps its row.
-- reads: trials, staged_setups
-- key: season, tank_id, factor
-- returns:
--   season [season]: season of the trial
--   tank_id [code]: tank
--   factor [text]: practice assigned, a column of the set-ups
--   level [text]: level assigned
--   block [text]: tanks among which levels were drawn
--   has_setup [true/false]: the tank was set up in that season
--   level_done [text]: level in the set-up; NULL when not recorded or not set up
--   followed [true/false]: the tank did as assigned, as stated or else as the set-up says; NULL when neither tells
WITH trials_as_read AS (SELECT * FROM trials),

setups AS (SELECT * FROM staged_setups),

done AS (
    UNPIVOT (
        SELECT
            season,
            tank_id,
            room_type,
            gravel_practice,
            gravel_depth_cm::VARCHAR AS gravel_depth_cm,
            stone_diameter_mm::VARCHAR AS stone_diameter_mm,
            crushed_shell::VARCHAR AS crushed_shell,
            light_cover::VARCHAR AS light_cover,
            insulated::VARCHAR AS insulated,
            set_point_c::VARCHAR AS set_point_c,
            differential_c::VARCHAR AS differential_c,
            disinfectant,
            disinfection_hours::VARCHAR AS disinfection_hours,
            media_carried_over_pct::VARCHAR AS media_carried_over_pct
        FROM setups
    )
    ON COLUMNS(* EXCLUDE (season, tank_id))
    INTO NAME factor VALUE level_done
),

final AS (
    SELECT
        trials_as_read.season,
        trials_as_read.tank_id,
        trials_as_read.factor::VARCHAR AS factor,
        trials_as_read.level,
        trials_as_read.block,
        setups.tank_id IS NOT NULL AS has_setup,
        done.level_done,
        coalesce(
            trials_as_read.followed,
            try_cast(trials_as_read.level AS DOUBLE) = try_cast(done.level_done AS DOUBLE),
            lower(trials_as_read.level) = lower(done.level_done)
        ) AS followed
    FROM trials_as_read
    LEFT JOIN setups USING (season, tank_id)
    LEFT JOIN done USING (season, tank_id, factor)
)

SELECT * FROM final ORDER BY season, tank_id, factor
