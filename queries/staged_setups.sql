-- staged_setups
--
-- purpose: the set-ups with the dates between which their season lies; every dated row of a tank is matched to these.
-- grain: one row per season and tank.
-- reads: setups, settings
-- key: season, tank_id
-- returns:
--   season [season]: year in which the season starts
--   tank_id [code]: tank
--   setup_number [number]: 1, 2, ... in the order of season and tank; a short key for the large tables
--   site_id [code]: site where it stood
--   season_starts_on [date]: first day of the season
--   season_ends_on [date]: last day of the season
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
--   media_carried_over_pct [%]: share of filter media kept from the season before
--   closed_on [date]: date the tank was emptied
--   end_reason [text]: why the season ended
WITH setups_as_read AS (SELECT * FROM setups),

season_start AS (SELECT season_start_month, season_start_day FROM settings),

final AS (
    SELECT
        season,
        tank_id,
        (row_number() OVER (ORDER BY season, tank_id))::INTEGER AS setup_number,
        site_id,
        make_date(season, season_start_month, season_start_day) AS season_starts_on,
        make_date(season + 1, season_start_month, season_start_day) - 1 AS season_ends_on,
        room_type::VARCHAR AS room_type,
        room_temp_c,
        gravel_practice::VARCHAR AS gravel_practice,
        gravel_depth_cm,
        stone_diameter_mm,
        crushed_shell,
        light_cover,
        insulated,
        set_point_c,
        differential_c,
        disinfectant::VARCHAR AS disinfectant,
        disinfection_hours,
        filled_on,
        media_carried_over_pct,
        closed_on,
        end_reason::VARCHAR AS end_reason
    FROM setups_as_read
    CROSS JOIN season_start
)

SELECT * FROM final ORDER BY season, tank_id
