-- tank_evidence
--
-- purpose: what else is on record of a tank that a shortfall may be consistent with: water tests beyond the limits,
--     the temperature an incident reached, the step in temperature at the hand-over.
-- grain: one row per set-up.
-- reads: staged_setups, staged_incidents, staged_deliveries, water_extremes, settings
-- key: season, tank_id
-- returns:
--   season [season]: season
--   tank_id [code]: tank
--   ammonia_beyond_mg_l [mg/L as N]: highest total ammonia where a test was above the limit, else NULL
--   ammonia_latest_mg_l [mg/L as N]: last test of total ammonia
--   nitrite_beyond_mg_l [mg/L as N]: highest nitrite where a test was above the limit, else NULL
--   nitrite_latest_mg_l [mg/L as N]: last test of nitrite
--   chlorine_beyond_mg_l [mg/L]: highest total chlorine where a test was above the limit, else NULL
--   ph_below [pH]: lowest pH where it was below the lower limit, else NULL
--   ph_above [pH]: highest pH where it was above the upper limit, else NULL
--   incident_warm_c [°C]: highest temperature that an incident reached, where it is above the warm limit, else NULL
--   incident_cold_c [°C]: lowest temperature that an incident reached, where it is below the cold limit, else NULL
--   handover_step_c [°C]: tank less box at the hand-over, the largest either way; NULL when not both are known
WITH setups AS (SELECT season, tank_id FROM staged_setups),

water AS (
    SELECT
        season,
        tank_id,
        max(highest) FILTER (WHERE analyte = 'total_ammonia_n' AND is_beyond) AS ammonia_beyond_mg_l,
        max(latest) FILTER (WHERE analyte = 'total_ammonia_n') AS ammonia_latest_mg_l,
        max(highest) FILTER (WHERE analyte = 'nitrite_n' AND is_beyond) AS nitrite_beyond_mg_l,
        max(latest) FILTER (WHERE analyte = 'nitrite_n') AS nitrite_latest_mg_l,
        max(highest) FILTER (WHERE analyte = 'total_chlorine' AND is_beyond) AS chlorine_beyond_mg_l,
        min(lowest) FILTER (WHERE analyte = 'ph' AND lowest < low) AS ph_below,
        max(highest) FILTER (WHERE analyte = 'ph' AND highest > high) AS ph_above
    FROM water_extremes
    GROUP BY season, tank_id
),

reached AS (
    SELECT
        season,
        tank_id,
        max(extreme_temp_c) FILTER (WHERE extreme_temp_c > warm_limit_c) AS incident_warm_c,
        min(extreme_temp_c) FILTER (WHERE extreme_temp_c < cold_limit_c) AS incident_cold_c
    FROM staged_incidents
    CROSS JOIN settings
    GROUP BY season, tank_id
),

handed_over AS (
    SELECT
        season,
        tank_id,
        arg_max(tank_temp_c - box_temp_c, abs(tank_temp_c - box_temp_c)) AS handover_step_c
    FROM staged_deliveries
    GROUP BY season, tank_id
),

final AS (
    SELECT
        setups.season,
        setups.tank_id,
        water.* EXCLUDE (season, tank_id),
        reached.* EXCLUDE (season, tank_id),
        handed_over.handover_step_c
    FROM setups
    LEFT JOIN water USING (season, tank_id)
    LEFT JOIN reached USING (season, tank_id)
    LEFT JOIN handed_over USING (season, tank_id)
)

SELECT * FROM final ORDER BY season, tank_id
