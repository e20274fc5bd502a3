-- staged_water_tests
--
-- purpose: water tests with their season.
-- grain: one row per measured quantity, in a season with a set-up.
-- reads: water_tests, staged_setups, settings
-- key: season, tank_id, tested_on, analyte
-- returns:
--   season [season]: season of the test
--   tank_id [code]: tank
--   tested_on [date]: date
--   analyte [text]: what was measured
--   value [as in unit]: result; the kit's limit when below_detection
--   unit [text]: mg_l or ph
--   below_detection [true/false]: the value is the kit's limit
WITH tests_as_read AS (SELECT * FROM water_tests),

setups AS (SELECT season, tank_id FROM staged_setups),

dated AS (
    SELECT *, season_of(tested_on) AS season FROM tests_as_read
),

final AS (
    SELECT
        season,
        tank_id,
        tested_on,
        analyte::VARCHAR AS analyte,
        value,
        unit::VARCHAR AS unit,
        coalesce(below_detection, false) AS below_detection
    FROM dated
    INNER JOIN setups USING (season, tank_id)
)

SELECT * FROM final ORDER BY season, tank_id, tested_on, analyte
