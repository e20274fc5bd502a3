-- units_restarted
--
-- purpose: thermal units at delivery far below what the stage needs, as when the count began again on the day the
--     eggs came.
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
--   written [°C·d]: units as written
--   expected_c_days [°C·d]: days since spawning times hatchery temperature; NULL when either is not known
--   least_c_days [°C·d]: fewest units that fit the stage
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
    expected_c_days,
    least_c_days
FROM delivered_units
WHERE stage_at_delivery <> 'green'
    AND CASE
        WHEN expected_c_days > 0.0 THEN written < 0.4 * expected_c_days AND written < least_c_days
        ELSE written < least_c_days
    END
