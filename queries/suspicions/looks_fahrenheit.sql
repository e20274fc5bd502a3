-- looks_fahrenheit
--
-- purpose: water temperatures written as °C that only make sense as °F. A tank that wrote nearly all of them so, or
--     many, gives one row; single readings give one each.
-- grain: one row per reading, or per tank, season and instrument.
-- reads: hot_readings
-- returns:
--   tank_id [code]: tank the suspicion is about
--   table_name [text]: table of the row pointed at
--   column_name [text]: column of the cell pointed at
--   value [as written]: the cell
--   upload [number]: upload of the row pointed at
--   line [spreadsheet row]: row pointed at, the first of its group
--   season [season]: season
--   instrument [text]: instrument
--   read_at [local time]: moment of the reading
--   water_temp [°C as stated]: the reading
--   as_fahrenheit_c [°C]: what it is if it was °F
--   usual_c [°C]: what the tank read otherwise; NULL when nothing below 25 °C
--   alike [count]: such readings of that tank, season and instrument
--   entries [count]: readings of that tank, season and instrument in all
--   lowest [°C as stated]: lowest of the alike
--   highest [°C as stated]: highest of the alike
--   is_group [true/false]: the row stands for all of them
SELECT
    tank_id,
    'temperatures' AS table_name,
    'water_temp' AS column_name,
    water_temp::VARCHAR AS value,
    upload,
    line,
    season,
    instrument,
    read_at,
    water_temp,
    (water_temp - 32.0) / 1.8 AS as_fahrenheit_c,
    usual_c,
    alike,
    entries,
    lowest,
    highest,
    is_group
FROM hot_readings
WHERE looks_fahrenheit
