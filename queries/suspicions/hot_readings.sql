-- hot_readings
--
-- purpose: readings above 25 °C in their stated unit, each with what the same tank read otherwise.
-- grain: one row per reading.
-- reads: temperatures, reading_days, settings
-- returns:
--   season [season]: season
--   tank_id [code]: tank
--   instrument [text]: instrument
--   read_at [local time]: moment of the reading
--   water_temp [as in unit]: as written
--   unit [text]: C or F, as written
--   water_temp_c [°C]: in °C as stated
--   looks_fahrenheit [true/false]: written as °C, and 32 to 77, which as °F is 0 to 25 °C
--   upload [number]: its upload
--   line [spreadsheet row]: its row
--   usual_c [°C]: median daily mean of the tank's days below 25 °C in that season
--   alike [count]: readings of that tank, season, instrument and kind above 25 °C
--   entries [count]: readings of that tank, season and instrument in all
--   is_first [true/false]: the first of the alike
WITH limits AS (SELECT plausible_up_to_c FROM settings),

-- Most instruments never read so high; their readings are not looked at again.
hot_instruments AS (
    SELECT DISTINCT tank_id, instrument
    FROM reading_days
    CROSS JOIN limits
    WHERE highest_c > limits.plausible_up_to_c
),

hot AS (
    SELECT
        season_of(temperatures.read_at) AS season,
        temperatures.*,
        celsius(water_temp, unit) AS water_temp_c,
        unit = 'C' AND water_temp BETWEEN 32.0 AND 77.0 AS looks_fahrenheit
    FROM temperatures
    INNER JOIN hot_instruments USING (tank_id, instrument)
    CROSS JOIN limits
    WHERE celsius(water_temp, unit) > limits.plausible_up_to_c
),

totals AS (
    SELECT season, tank_id, instrument, sum(readings)::BIGINT AS entries
    FROM reading_days
    GROUP BY season, tank_id, instrument
),

usual AS (
    SELECT season, tank_id, median(mean_c) FILTER (highest_c <= 25.0) AS usual_c
    FROM reading_days
    GROUP BY season, tank_id
),

final AS (
    SELECT
        hot.season,
        hot.tank_id,
        hot.instrument,
        hot.read_at,
        hot.water_temp,
        hot.unit,
        hot.water_temp_c,
        hot.looks_fahrenheit,
        hot.upload,
        hot.line,
        usual.usual_c,
        count(*) OVER alike AS alike,
        totals.entries,
        row_number() OVER (alike ORDER BY hot.read_at, hot.line) = 1 AS is_first
    FROM hot
    INNER JOIN totals USING (season, tank_id, instrument)
    INNER JOIN usual USING (season, tank_id)
    WINDOW alike AS (PARTITION BY hot.season, hot.tank_id, hot.instrument, hot.looks_fahrenheit)
)

SELECT * FROM final
