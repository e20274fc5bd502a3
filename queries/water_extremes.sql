-- water_extremes
--
-- purpose: highest, lowest and latest water test of each tank against the limits of the settings.
-- grain: one row per season, tank and measured quantity that was tested.
-- reads: staged_water_tests, water_limits
-- key: season, tank_id, analyte
-- returns:
--   season [season]: season
--   tank_id [code]: tank
--   analyte [text]: what was measured
--   tests [count]: tests of it
--   highest [as in unit]: highest result; a result below the kit's limit counts as that limit
--   highest_on [date]: day of the highest, the first of several
--   lowest [as in unit]: lowest result, likewise
--   latest [as in unit]: result of the last test
--   latest_on [date]: day of the last test
--   low [as in unit]: lower limit; NULL when there is none
--   high [as in unit]: upper limit; NULL when there is none
--   is_beyond [true/false]: a result that the kit could tell lies outside the limits
--   latest_is_beyond [true/false]: the last one does
WITH tests AS (
    SELECT
        staged_water_tests.*,
        water_limits.low,
        water_limits.high,
        NOT below_detection
        AND (coalesce(value < low, false) OR coalesce(value > high, false)) AS is_outside
    FROM staged_water_tests
    LEFT JOIN water_limits USING (analyte)
),

final AS (
    SELECT
        season,
        tank_id,
        analyte,
        count(*) AS tests,
        max(value) AS highest,
        min(tested_on) FILTER (WHERE is_highest) AS highest_on,
        min(value) AS lowest,
        max(value) FILTER (WHERE is_latest) AS latest,
        max(tested_on) AS latest_on,
        max(low) AS low,
        max(high) AS high,
        bool_or(is_outside) AS is_beyond,
        bool_or(is_outside AND is_latest) AS latest_is_beyond
    FROM (
        SELECT
            *,
            value = max(value) OVER of_tank AS is_highest,
            tested_on = max(tested_on) OVER of_tank AS is_latest
        FROM tests
        WINDOW of_tank AS (PARTITION BY season, tank_id, analyte)
    )
    GROUP BY season, tank_id, analyte
)

SELECT * FROM final ORDER BY season, tank_id, analyte
