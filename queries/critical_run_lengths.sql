-- critical_run_lengths
--
-- purpose: the longest run of identical readings that honest instruments give, exceeded by 1 honest series in 100.
--     Made by critical_runs(seed=20240801, trials=4000) of tests/intake/critical_runs.py: independent normal
--     readings, SD 0.35 °C, about a level on a mark of the scale, rounded to the resolution.
-- grain: one row per resolution and number of readings.
-- reads:
-- key: resolution_c, readings
-- returns:
--   resolution_c [°C]: step in which the readings come
--   readings [count]: readings in the series
--   critical_run [count]: longest run that is still honest
WITH simulated (resolution_c, readings, critical_run) AS (
    VALUES
        (0.100, 10, 3),
        (0.100, 20, 4),
        (0.100, 40, 4),
        (0.100, 80, 4),
        (0.100, 160, 5),
        (0.100, 320, 5),
        (0.100, 640, 5),
        (0.100, 1280, 5),
        (0.200, 10, 4),
        (0.200, 20, 5),
        (0.200, 40, 5),
        (0.200, 80, 6),
        (0.200, 160, 6),
        (0.200, 320, 7),
        (0.200, 640, 7),
        (0.200, 1280, 8),
        (0.500, 10, 8),
        (0.500, 20, 10),
        (0.500, 40, 11),
        (0.500, 80, 12),
        (0.500, 160, 13),
        (0.500, 320, 14),
        (0.500, 640, 16),
        (0.500, 1280, 17),
        (0.556, 10, 8),
        (0.556, 20, 11),
        (0.556, 40, 12),
        (0.556, 80, 13),
        (0.556, 160, 16),
        (0.556, 320, 17),
        (0.556, 640, 18),
        (0.556, 1280, 19),
        (1.000, 10, 10),
        (1.000, 20, 20),
        (1.000, 40, 32),
        (1.000, 80, 38),
        (1.000, 160, 44),
        (1.000, 320, 49),
        (1.000, 640, 55),
        (1.000, 1280, 59)
),

final AS (SELECT resolution_c::DOUBLE AS resolution_c, readings, critical_run FROM simulated)

SELECT * FROM final ORDER BY resolution_c, readings
