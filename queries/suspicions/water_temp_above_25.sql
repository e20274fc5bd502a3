-- water_temp_above_25
--
-- purpose: water temperatures above 25 °C in their stated unit that are not °F by their looks. They stay out of every
--     exposure until mended or acknowledged.
-- grain: one row per reading, or per tank, season and instrument where there are more than 50.
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
--   water_temp_c [°C]: the reading
--   usual_c [°C]: what the tank read otherwise; NULL when nothing below 25 °C
--   alike [count]: such readings of that tank, season and instrument
--   highest [as in unit]: highest of the alike
--   unit [text]: C or F, as written
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
    water_temp_c,
    usual_c,
    alike,
    highest,
    unit,
    is_group
FROM hot_readings
WHERE NOT looks_fahrenheit
