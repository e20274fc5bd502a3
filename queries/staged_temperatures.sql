-- staged_temperatures
--
-- purpose: every reading in °C, with whether exposure may use it. Nothing is left out here.
-- grain: one row per reading.
-- reads: temperatures, settings, acknowledged, reading_flags
-- kept as: view
-- key: tank_id, read_at, instrument
-- returns:
--   tank_id [code]: tank
--   read_at [local time]: moment of the reading; midnight when only the date is known
--   hour_known [true/false]: the hour was recorded
--   day [date]: local date
--   instrument [text]: logger, thermometer, controller
--   water_temp [as in unit]: the reading as written
--   unit [text]: C or F, as written
--   water_temp_c [°C]: the reading in °C
--   too_warm_to_be_true [true/false]: above the plausible limit in its stated unit, and nobody acknowledged it
--   flag [text]: open suspicion about the reading: out_of_water, copied, set_point_typed or looks_fahrenheit; NULL when
--     none
--   usable [true/false]: neither too warm nor flagged
WITH readings AS NOT MATERIALIZED (SELECT * FROM temperatures),

limits AS (SELECT plausible_up_to_c FROM settings),

acknowledged_tanks AS (
    SELECT DISTINCT tank_id FROM acknowledged WHERE rule = 'water_temp_above_25'
),

flags AS (
    SELECT tank_id, read_at, instrument, string_agg(flag, ', ' ORDER BY flag) AS flag
    FROM reading_flags
    GROUP BY tank_id, read_at, instrument
),

judged AS (
    SELECT
        readings.tank_id,
        readings.read_at,
        readings.read_at_has_hour AS hour_known,
        readings.read_at::DATE AS day,
        readings.instrument::VARCHAR AS instrument,
        readings.water_temp,
        readings.unit::VARCHAR AS unit,
        celsius(readings.water_temp, readings.unit) AS water_temp_c,
        water_temp_c > limits.plausible_up_to_c
        AND readings.tank_id NOT IN (SELECT tank_id FROM acknowledged_tanks)
        AND '*' NOT IN (SELECT tank_id FROM acknowledged_tanks) AS too_warm_to_be_true,
        flags.flag
    FROM readings
    CROSS JOIN limits
    LEFT JOIN flags USING (tank_id, read_at, instrument)
),

final AS (
    SELECT *, NOT too_warm_to_be_true AND flag IS NULL AS usable FROM judged
)

SELECT * FROM final
