-- other_temperature_looks_fahrenheit
--
-- purpose: temperatures of boxes, tanks, hatcheries, rooms, controllers and incidents that only make sense as °F.
--     The limits are above anything the place can have in °C and inside what it has in °F.
-- grain: one row per cell.
-- reads: deliveries, setups, incidents
-- returns:
--   tank_id [code]: tank the suspicion is about
--   table_name [text]: table of the row pointed at
--   column_name [text]: column of the cell pointed at
--   value [as written]: the cell
--   upload [number]: upload of the row pointed at
--   line [spreadsheet row]: row pointed at, the first of its group
--   written [°C as stated]: the cell
--   as_fahrenheit_c [°C]: what it is if it was °F
--   plausible_up_to_c [°C]: highest value that is plausible there
WITH cells AS (
    SELECT tank_id, 'deliveries' AS table_name, 'hatchery_temp_c' AS column_name, hatchery_temp_c AS written,
        20.0 AS plausible_up_to_c, upload, line
    FROM deliveries
    UNION ALL
    SELECT tank_id, 'deliveries', 'box_temp_c', box_temp_c, 30.0, upload, line FROM deliveries
    UNION ALL
    SELECT tank_id, 'deliveries', 'tank_temp_c', tank_temp_c, 25.0, upload, line FROM deliveries
    UNION ALL
    SELECT tank_id, 'setups', 'set_point_c', set_point_c, 25.0, upload, line FROM setups
    UNION ALL
    SELECT tank_id, 'setups', 'room_temp_c', room_temp_c, 40.0, upload, line FROM setups
    UNION ALL
    SELECT tank_id, 'incidents', 'extreme_temp_c', extreme_temp_c, 30.0, upload, line FROM incidents
)

SELECT
    tank_id,
    table_name,
    column_name,
    written::VARCHAR AS value,
    upload,
    line,
    written,
    (written - 32.0) / 1.8 AS as_fahrenheit_c,
    plausible_up_to_c::DOUBLE AS plausible_up_to_c
FROM cells
WHERE written > greatest(plausible_up_to_c, 32.0)
