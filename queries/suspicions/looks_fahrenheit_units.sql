-- looks_fahrenheit_units
--
-- purpose: thermal units written as °C·d that are 1.8 times what they should be, as °F·d are.
-- grain: one row per delivery.
-- reads: delivered_units
-- returns:
--   tank_id [code]: tank the suspicion is about
--   table_name [text]: table of the row pointed at
--   column_name [text]: column of the cell pointed at
--   value [as written]: the cell
--   upload [number]: upload of the row pointed at
--   line [spreadsheet row]: row pointed at, the first of its group
--   species [text]: species
--   stage_at_delivery [text]: stage
--   written [°C·d as stated]: units as written
--   as_fahrenheit_c_days [°C·d]: the same divided by 1.8
--   expected_c_days [°C·d]: days since spawning times hatchery temperature; NULL when either is not known
--   most_c_days [°C·d]: most units that fit the stage
--   implied_temp_c [°C]: hatchery temperature that the written units imply; NULL without a spawning date
--   evidence [text]: hatchery, calendar or species
WITH judged AS (
    SELECT
        *,
        CASE
            WHEN expected_c_days > 20.0 AND written / expected_c_days BETWEEN 1.55 AND 2.05 THEN 'hatchery'
            WHEN expected_c_days > 20.0 THEN NULL
            -- no hatchery runs its eggs at 14 °C; the same units as °F would be ordinary
            WHEN implied_temp_c > 14.0 AND implied_temp_c / 1.8 BETWEEN 3.0 AND 14.0
                AND written / 1.8 BETWEEN least_c_days AND most_c_days THEN 'calendar'
            WHEN written > most_c_days AND written / 1.8 BETWEEN least_c_days AND most_c_days THEN 'species'
        END AS evidence
    FROM delivered_units
)

SELECT
    tank_id,
    'deliveries' AS table_name,
    'thermal_units_at_delivery' AS column_name,
    written::VARCHAR AS value,
    upload,
    line,
    species,
    stage_at_delivery,
    written,
    written / 1.8 AS as_fahrenheit_c_days,
    expected_c_days,
    most_c_days,
    implied_temp_c,
    evidence
FROM judged
-- green eggs come with so few units that their ordinary error looks like any ratio
WHERE evidence IS NOT NULL AND (stage_at_delivery <> 'green' OR written >= 90.0)
