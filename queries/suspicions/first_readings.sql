-- first_readings
--
-- purpose: the row of the first reading of every run and stretch, to point at.
-- grain: one row per run or stretch.
-- reads: suspect_stretches, temperatures
-- returns:
--   tank_id [code]: tank
--   instrument [text]: logger, thermometer, controller
--   read_at [local time]: moment of the reading
--   water_temp [as in unit]: as written
--   upload [number]: its upload
--   line [spreadsheet row]: its row
SELECT tank_id, instrument, read_at, water_temp, upload, line
FROM temperatures
WHERE (tank_id, instrument, read_at)
    IN (SELECT tank_id, instrument, starts_at FROM suspect_stretches)
