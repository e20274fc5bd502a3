-- logger_out_of_water
--
-- purpose: stretches in which a logger lay in the air of the room.
-- grain: one row per stretch.
-- reads: logger_spells, first_readings
-- returns:
--   tank_id [code]: tank the suspicion is about
--   table_name [text]: table of the row pointed at
--   column_name [text]: column of the cell pointed at
--   value [as written]: the cell
--   upload [number]: upload of the row pointed at
--   line [spreadsheet row]: row pointed at, the first of its group
--   season [season]: season
--   readings [count]: readings of the stretch
--   starts_at [local time]: first reading of the stretch
--   ends_at [local time]: last reading of the stretch
--   mean_c [°C]: mean of the stretch
--   water_level_c [°C]: what the logger usually reads
--   jump_c [°C]: change on entering it, or on leaving it where the record begins with it
--   jump_hours [h]: time that change took at most
--   daily_range_c [°C]: mean daily range of its days
--   usual_range_c [°C]: usual daily range
SELECT
    spells.tank_id,
    'temperatures' AS table_name,
    'water_temp' AS column_name,
    first_readings.water_temp::VARCHAR AS value,
    first_readings.upload,
    first_readings.line,
    spells.season,
    spells.readings,
    spells.starts_at,
    spells.ends_at,
    spells.mean_c,
    spells.water_level_c,
    spells.jump_c,
    spells.jump_hours,
    spells.daily_range_c,
    spells.usual_range_c
FROM logger_spells AS spells
INNER JOIN first_readings
    ON first_readings.tank_id = spells.tank_id
    AND first_readings.read_at = spells.starts_at
    AND first_readings.instrument = 'logger'
