-- too_soon
--
-- purpose: stages and releases dated sooner after the delivery than eggs come so far in water at the warm limit.
-- grain: one row per row of stages or exits.
-- reads: stages, exits, tank_spans, species_stage_units, settings
-- returns:
--   tank_id [code]: tank
--   table_name [text]: stages or exits
--   upload [number]: upload of the row
--   line [spreadsheet row]: the row
--   season [season]: season in which the date lies
--   day [date]: as written
--   event [text]: the stage, or released
--   delivered_on [date]: first delivery of the season
--   soonest_on [date]: first day on which it can have been
WITH units AS (
    SELECT
        species,
        max(units_c_days) FILTER (stage = 'eyed') AS eyed,
        max(units_c_days) FILTER (stage = 'hatch') AS hatch,
        max(units_c_days) FILTER (stage = 'button_up') AS button_up
    FROM species_stage_units
    GROUP BY species
),

-- A count that began on the day of delivery is too low: the stage on arrival tells the least there were by then.
started AS (
    SELECT
        season,
        tank_id,
        first_delivered_on AS delivered_on,
        hatch,
        button_up,
        greatest(
            coalesce(units_at_delivery_c_days, 0.0),
            CASE stage_at_delivery WHEN 'eyed' THEN eyed WHEN 'alevin' THEN hatch ELSE 0.0 END
        ) AS units_c_days
    FROM tank_spans
    INNER JOIN units USING (species)
),

-- Fish are let go once their yolk is taken in.
dated AS (
    SELECT tank_id, 'exits' AS table_name, exited_on AS day, fate AS event, upload, line
    FROM exits
    WHERE fate = 'released'
    UNION ALL
    SELECT tank_id, 'stages', first_seen_on, stage, upload, line FROM stages WHERE stage <> 'eyed'
)

SELECT
    dated.tank_id,
    table_name,
    upload,
    line,
    started.season,
    day,
    event,
    delivered_on,
    delivered_on
    + floor(
        (CASE WHEN event IN ('hatch_first', 'hatch_half', 'hatch_all') THEN hatch ELSE button_up END - units_c_days)
        / warm_limit_c
    )::INTEGER AS soonest_on
FROM dated
INNER JOIN started ON started.tank_id = dated.tank_id AND started.season = season_of(day)
CROSS JOIN settings
WHERE day BETWEEN delivered_on AND soonest_on - 1
