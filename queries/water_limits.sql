-- water_limits
--
-- purpose: between which values a water test is nothing to remark on, from the programme's settings.
-- grain: one row per measured quantity that has a limit.
-- reads:
-- key: analyte
-- returns:
--   analyte [text]: what is measured, as in the water_tests table
--   low [as in unit]: lowest value within the limits; NULL when there is no lower limit
--   high [as in unit]: highest value within the limits
WITH final AS (
    SELECT
        'total_ammonia_n' AS analyte,
        NULL::DOUBLE AS low,
        $total_ammonia_limit_mg_l::DOUBLE AS high
    UNION ALL
    SELECT 'nitrite_n', NULL, $nitrite_limit_mg_l::DOUBLE
    UNION ALL
    SELECT 'total_chlorine', NULL, $chlorine_limit_mg_l::DOUBLE
    UNION ALL
    SELECT 'ph', $ph_low_limit::DOUBLE, $ph_high_limit::DOUBLE
)

SELECT * FROM final ORDER BY analyte
