-- warm_with_eggs
--
-- purpose: tanks whose water was above 13 °C (the programme's warm limit) while eggs or alevins were in it: from
--     delivery to button-up where that was seen, else to where thermal units put it. Readings out of the water, above
--     25 °C or in °F by their looks do not count.
-- grain: one row per tank and season.
-- reads: temperatures, tank_spans, stages, exits, reading_days, reading_flags, species_stage_units, settings
-- returns:
--   tank_id [code]: tank the suspicion is about
--   table_name [text]: table of the row pointed at
--   column_name [text]: column of the cell pointed at
--   value [as written]: the cell
--   upload [number]: upload of the row pointed at
--   line [spreadsheet row]: row pointed at, the first of its group
--   season [season]: season
--   warm_readings [count]: readings above the limit
--   warm_days [days]: days with such a reading
--   highest_c [°C]: highest of them
--   first_at [local time]: first of them
--   warm_limit_c [°C]: the limit
--   present_until [date]: until when eggs or alevins are taken to be there
WITH limits AS (SELECT warm_limit_c, plausible_up_to_c FROM settings),

button_up AS (
    SELECT season_of(first_seen_on) AS season, tank_id, min(first_seen_on) AS seen_on
    FROM stages
    WHERE stage IN ('button_up', 'first_feeding')
    GROUP BY ALL
),

left_on AS (
    SELECT season_of(exited_on) AS season, tank_id, max(exited_on) AS last_exit_on
    FROM exits
    WHERE fate IN ('released', 'transferred_out', 'euthanised', 'retained')
    GROUP BY ALL
),

usual AS (
    SELECT season, tank_id, median(mean_c) AS usual_c FROM reading_days WHERE mean_c <= 25.0 GROUP BY season, tank_id
),

-- Days from delivery to button-up at the usual temperature; 400 °C·d where neither species nor units are known.
present AS MATERIALIZED (
    SELECT
        tank_spans.season,
        tank_spans.tank_id,
        tank_spans.first_delivered_on,
        least(
            coalesce(
                button_up.seen_on,
                tank_spans.first_delivered_on
                + ceil(
                    coalesce(species_stage_units.units_c_days - tank_spans.units_at_delivery_c_days, 400.0)
                    / greatest(usual.usual_c, 1.0)
                )::INTEGER
            ),
            coalesce(tank_spans.closed_on, tank_spans.season_ends_on),
            coalesce(left_on.last_exit_on, tank_spans.season_ends_on)
        ) AS present_until
    FROM tank_spans
    INNER JOIN usual USING (season, tank_id)
    LEFT JOIN button_up USING (season, tank_id)
    LEFT JOIN left_on USING (season, tank_id)
    LEFT JOIN species_stage_units
        ON species_stage_units.species = tank_spans.species AND species_stage_units.stage = 'button_up'
    WHERE tank_spans.first_delivered_on IS NOT NULL
),

warm AS (
    SELECT
        temperatures.*,
        celsius(water_temp, unit) AS water_temp_c,
        season_of(read_at) AS season,
        limits.warm_limit_c
    FROM temperatures
    CROSS JOIN limits
    WHERE celsius(water_temp, unit) > limits.warm_limit_c
        AND celsius(water_temp, unit) <= limits.plausible_up_to_c
),

sound AS (
    SELECT warm.* FROM warm ANTI JOIN reading_flags USING (tank_id, read_at, instrument)
),

final AS (
    SELECT
        sound.tank_id,
        'temperatures' AS table_name,
        'water_temp' AS column_name,
        arg_min(sound.water_temp, (sound.read_at, sound.line))::VARCHAR AS value,
        arg_min(sound.upload, (sound.read_at, sound.line)) AS upload,
        arg_min(sound.line, (sound.read_at, sound.line)) AS line,
        sound.season,
        count(*) AS warm_readings,
        count(DISTINCT sound.read_at::DATE) AS warm_days,
        max(sound.water_temp_c) AS highest_c,
        min(sound.read_at) AS first_at,
        any_value(sound.warm_limit_c) AS warm_limit_c,
        present.present_until
    FROM sound
    INNER JOIN present USING (season, tank_id)
    WHERE sound.read_at::DATE BETWEEN present.first_delivered_on AND present.present_until
    GROUP BY sound.tank_id, sound.season, present.present_until
)

SELECT * FROM final
