-- delivered_units
--
-- purpose: thermal units written at delivery beside what they should be: days since spawning times the hatchery's
--     temperature where both are known, else the range that fits the species and stage.
-- grain: one row per delivery with thermal units, written as °C·d.
-- reads: deliveries, batches, species_stage_units
-- returns:
--   tank_id [code]: tank
--   batch_id [code]: batch
--   species [text]: species
--   stage_at_delivery [text]: green, eyed, alevin
--   written [°C·d as stated]: thermal units as written
--   expected_c_days [°C·d]: days since spawning times hatchery temperature; NULL when either is not known
--   implied_temp_c [°C]: hatchery temperature that the written units imply; NULL without a spawning date
--   least_c_days [°C·d]: fewest units that fit the stage
--   most_c_days [°C·d]: most units that fit the stage
--   upload [number]: its upload
--   line [spreadsheet row]: its row
WITH by_species AS (
    SELECT
        species,
        max(units_c_days) FILTER (stage = 'eyed') AS eyed,
        max(units_c_days) FILTER (stage = 'hatch') AS hatch,
        max(units_c_days) FILTER (stage = 'button_up') AS button_up
    FROM species_stage_units
    GROUP BY species
),

-- A species without published units is held to the widest range of all.
joined AS (
    SELECT
        deliveries.*,
        batches.species,
        deliveries.delivered_on::DATE - batches.spawned_on AS days_since_spawning,
        coalesce(by_species.eyed, (SELECT min(eyed) FROM by_species)) AS eyed_least,
        coalesce(by_species.hatch, (SELECT min(hatch) FROM by_species)) AS hatch_least,
        coalesce(by_species.eyed, (SELECT max(eyed) FROM by_species)) AS eyed_most,
        coalesce(by_species.hatch, (SELECT max(hatch) FROM by_species)) AS hatch_most,
        coalesce(by_species.button_up, (SELECT max(button_up) FROM by_species)) AS button_up_most
    FROM deliveries
    LEFT JOIN batches USING (batch_id)
    LEFT JOIN by_species USING (species)
    WHERE deliveries.thermal_units_at_delivery IS NOT NULL
        AND coalesce(deliveries.thermal_unit, 'c_days') = 'c_days'
)

SELECT
    tank_id,
    batch_id,
    species,
    stage_at_delivery,
    thermal_units_at_delivery AS written,
    CASE WHEN days_since_spawning > 0 AND hatchery_temp_c BETWEEN 0.5 AND 20.0
        THEN days_since_spawning * hatchery_temp_c END AS expected_c_days,
    CASE WHEN days_since_spawning > 0 THEN thermal_units_at_delivery / days_since_spawning END AS implied_temp_c,
    -- cold water needs fewer units for the same stage, hence half of the nominal ones at the low end
    CASE stage_at_delivery WHEN 'green' THEN 0.0 WHEN 'eyed' THEN 0.5 * eyed_least ELSE 0.6 * hatch_least END
        AS least_c_days,
    CASE stage_at_delivery WHEN 'green' THEN 1.1 * eyed_most WHEN 'eyed' THEN 1.1 * hatch_most
        ELSE 1.1 * button_up_most END AS most_c_days,
    upload,
    line
FROM joined
