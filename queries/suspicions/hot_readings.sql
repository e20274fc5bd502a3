-- hot_readings
--
-- purpose: readings above 25 °C in their stated unit, each with what the same tank read otherwise. More than 50 alike,
--     or nearly all readings of an instrument in °F by their looks, are one row: the first of them.
-- grain: one row per reading, or per tank, season and instrument.
-- reads: temperatures, reading_days, reading_streams, settings
-- returns:
--   season [season]: season
--   tank_id [code]: tank
--   instrument [text]: instrument
--   looks_fahrenheit [true/false]: written as °C, and 32 to 77, which as °F is 0 to 25 °C
--   read_at [local time]: moment of the reading
--   water_temp [as in unit]: as written
--   unit [text]: C or F, as written
--   water_temp_c [°C]: in °C as stated
--   upload [number]: its upload
--   line [spreadsheet row]: its row
--   usual_c [°C]: median daily mean of the tank's days below 25 °C in that season
--   alike [count]: readings of that tank, season, instrument and kind above 25 °C
--   entries [count]: readings of that tank, season and instrument in all
--   lowest [as in unit]: lowest of the alike
--   highest [as in unit]: highest of the alike
--   is_group [true/false]: the row stands for all of them
WITH limits AS (SELECT plausible_up_to_c FROM settings),

-- Most instruments never read so high; their readings are not looked at again.
hot AS (
    SELECT
        season_of(temperatures.read_at) AS season,
        temperatures.*,
        celsius(water_temp, unit) AS water_temp_c,
        unit = 'C' AND water_temp BETWEEN 32.0 AND 77.0 AS looks_fahrenheit
    FROM temperatures
    WHERE celsius(water_temp, unit) > (SELECT plausible_up_to_c FROM limits)
        AND (tank_id, instrument) IN (
            SELECT tank_id, instrument FROM reading_streams
            WHERE highest_c > (SELECT plausible_up_to_c FROM limits)
        )
),

groups AS (
    SELECT
        season,
        tank_id,
        instrument,
        looks_fahrenheit,
        count(*) AS alike,
        min(water_temp) AS lowest,
        max(water_temp) AS highest,
        min((read_at, upload, line)) AS first_of_them
    FROM hot
    GROUP BY season, tank_id, instrument, looks_fahrenheit
),

totals AS (SELECT season, tank_id, instrument, readings AS entries FROM reading_streams),

usual AS (
    SELECT season, tank_id, median(mean_c) FILTER (highest_c <= 25.0) AS usual_c
    FROM reading_days
    GROUP BY season, tank_id
),

judged AS MATERIALIZED (
    SELECT
        groups.*,
        totals.entries,
        usual.usual_c,
        alike > 50 OR (looks_fahrenheit AND alike > 1 AND alike >= 0.8 * entries) AS is_group
    FROM groups
    INNER JOIN totals USING (season, tank_id, instrument)
    INNER JOIN usual USING (season, tank_id)
),

final AS (
    SELECT
        judged.season,
        judged.tank_id,
        judged.instrument,
        judged.looks_fahrenheit,
        hot.read_at,
        hot.water_temp,
        hot.unit,
        hot.water_temp_c,
        hot.upload,
        hot.line,
        judged.usual_c,
        judged.alike,
        judged.entries,
        judged.lowest,
        judged.highest,
        judged.is_group
    FROM hot
    INNER JOIN judged USING (season, tank_id, instrument, looks_fahrenheit)
    WHERE NOT judged.is_group OR (hot.read_at, hot.upload, hot.line) = judged.first_of_them
)

SELECT * FROM final
