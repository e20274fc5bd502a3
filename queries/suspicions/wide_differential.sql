-- wide_differential
--
-- purpose: set-ups whose controller switches over more than 2 °C.
-- grain: one row per set-up.
-- reads: setups
-- returns:
--   tank_id [code]: tank the suspicion is about
--   table_name [text]: table of the row pointed at
--   column_name [text]: column of the cell pointed at
--   value [as written]: the cell
--   upload [number]: upload of the row pointed at
--   line [spreadsheet row]: row pointed at, the first of its group
--   season [season]: season
--   differential_c [°C]: full on-off width as written
--   fahrenheit_as_c [°C]: the same if it was written in °F
SELECT
    tank_id,
    'setups' AS table_name,
    'differential_c' AS column_name,
    differential_c::VARCHAR AS value,
    upload,
    line,
    season,
    differential_c,
    differential_c / 1.8 AS fahrenheit_as_c
FROM setups
WHERE differential_c > 2.0
