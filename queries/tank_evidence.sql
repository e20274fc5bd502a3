-- tank_evidence
--
-- purpose: what else is on record of a tank that a shortfall may be consistent with: water tests beyond the limits,
--     an incident, the temperature it reached, the warmest reading, a few days in which most died, the step in temperature at
--     the hand-over.
-- grain: one row per set-up.
-- reads: staged_setups, staged_incidents, staged_deliveries, staged_losses, worst_weeks, tank_counts, tank_stays,
--     daily_readings, water_extremes, settings
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
--   incident_kind [text]: the incident, water changes apart, in the seven days from which most dead were found, where
--     these are ten or more and a tenth of the eggs or more; else NULL
--   incident_on [date]: day on which it started
--   incident_dead [count]: dead found in the seven days from that day
--   interrupted_on [date]: first day on which power, chiller or pump stopped and nobody wrote for how long, else NULL
--   warm_limit_c [°C]: the warm limit
--   warm_read_c [°C]: highest reading of the stay, where it is above the warm limit, else NULL
--   warm_read_on [date]: day of that reading, the first of several
--   spell_dead [count]: dead found in the seven days that took most, as in worst_weeks, where these are a fifth of the
--     eggs or more, or a tenth, ten or more, and more than half of all that were found; else NULL
--   spell_of [count]: all dead found
--   spell_from [date]: first day of these on which dead were found
--   spell_to [date]: last such day
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

unknown_lengths AS (
    SELECT season, tank_id, min(started_at)::DATE AS interrupted_on
    FROM staged_incidents
    WHERE is_interruption AND length_hours IS NULL
    GROUP BY season, tank_id
),

-- Deaths bring people to change water, so that a water change is seldom what came before them.
dead_after AS (
    SELECT
        incidents.season,
        incidents.tank_id,
        incidents.kind AS incident_kind,
        incidents.started_at::DATE AS incident_on,
        sum(losses.dead)::BIGINT AS incident_dead
    FROM staged_incidents AS incidents
    INNER JOIN staged_losses AS losses
        ON incidents.season = losses.season
        AND incidents.tank_id = losses.tank_id
        AND losses.checked_on BETWEEN incidents.started_at::DATE AND incidents.started_at::DATE + 6
    WHERE incidents.kind <> 'water_change'
    GROUP BY ALL
),

struck AS (
    SELECT dead_after.*
    FROM dead_after
    INNER JOIN tank_counts USING (season, tank_id)
    INNER JOIN tank_stays USING (season, tank_id)
    WHERE incident_dead >= 10 AND incident_dead >= 0.1 * eggs AND NOT losses_look_cumulative
    QUALIFY row_number() OVER (
        PARTITION BY season, tank_id ORDER BY incident_dead DESC, incident_on, incident_kind
    ) = 1
),

warmest AS (
    SELECT
        stays.season,
        readings.tank_id,
        max(readings.max_c) AS warm_read_c,
        arg_min(readings.day, (-readings.max_c, readings.day)) AS warm_read_on
    FROM daily_readings AS readings
    CROSS JOIN settings
    INNER JOIN tank_stays AS stays
        ON readings.tank_id = stays.tank_id AND readings.day >= stays.starts_on AND readings.day < stays.ends_on
    WHERE readings.max_c > settings.warm_limit_c
    GROUP BY stays.season, readings.tank_id
),

-- What counts as a spell is common practice, no source: it points at days to ask about, it judges nothing. A fifth of
-- the eggs is one whatever else was lost, as in large_losses.
spells AS (
    SELECT
        season,
        tank_id,
        week_dead AS spell_dead,
        dead_total AS spell_of,
        week_from AS spell_from,
        week_to AS spell_to
    FROM worst_weeks
    INNER JOIN tank_counts USING (season, tank_id)
    INNER JOIN tank_stays USING (season, tank_id)
    WHERE (week_dead >= 10 AND week_dead > 0.5 * dead_total AND week_dead >= 0.1 * eggs OR week_dead >= 0.2 * eggs)
        AND NOT losses_look_cumulative
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
        struck.* EXCLUDE (season, tank_id),
        unknown_lengths.interrupted_on,
        settings.warm_limit_c,
        warmest.* EXCLUDE (season, tank_id),
        spells.* EXCLUDE (season, tank_id),
        handed_over.handover_step_c
    FROM setups
    CROSS JOIN settings
    LEFT JOIN water USING (season, tank_id)
    LEFT JOIN reached USING (season, tank_id)
    LEFT JOIN struck USING (season, tank_id)
    LEFT JOIN unknown_lengths USING (season, tank_id)
    LEFT JOIN warmest USING (season, tank_id)
    LEFT JOIN spells USING (season, tank_id)
    LEFT JOIN handed_over USING (season, tank_id)
)

SELECT * FROM final ORDER BY season, tank_id
