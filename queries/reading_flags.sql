-- reading_flags
--
-- purpose: open suspicions about single readings, for the daily temperatures to leave out. A suspicion that somebody
--     acknowledged is no longer open and is not here.
-- grain: one row per reading and flag.
-- reads: temperatures, suspect_stretches, settings, acknowledged
-- key: tank_id, read_at, instrument, flag
-- returns:
--   tank_id [code]: tank
--   read_at [local time]: moment of the reading
--   instrument [text]: instrument of the reading
--   flag [text]: out_of_water, copied, set_point_typed or looks_fahrenheit
WITH in_stretches AS (
    SELECT temperatures.tank_id, temperatures.read_at, temperatures.instrument, suspect_stretches.flag
    FROM temperatures
    INNER JOIN suspect_stretches
        ON temperatures.tank_id = suspect_stretches.tank_id
        AND temperatures.instrument = suspect_stretches.instrument
        AND temperatures.read_at BETWEEN suspect_stretches.starts_at AND suspect_stretches.ends_at
    -- the first reading of a run may well be the honest one that the others were copied from
    WHERE suspect_stretches.flag <> 'copied' OR temperatures.read_at > suspect_stretches.starts_at
),

-- 32 to 77 °F is 0 to 25 °C.
fahrenheit AS (
    SELECT tank_id, read_at, instrument, 'looks_fahrenheit' AS flag
    FROM temperatures
    WHERE unit = 'C' AND water_temp BETWEEN 32.0 AND 77.0
),

flagged AS (
    SELECT tank_id, read_at, instrument, flag FROM in_stretches
    UNION ALL
    SELECT tank_id, read_at, instrument, flag FROM fahrenheit
),

rules AS (
    SELECT
        unnest(['out_of_water', 'copied', 'set_point_typed', 'looks_fahrenheit']) AS flag,
        unnest(['logger_out_of_water', 'readings_copied', 'set_point_typed', 'looks_fahrenheit']) AS rule
),

closed AS (
    SELECT rules.flag, acknowledged.tank_id FROM acknowledged INNER JOIN rules USING (rule)
),

final AS (
    SELECT flagged.tank_id, flagged.read_at, flagged.instrument, flagged.flag
    FROM flagged
    WHERE NOT EXISTS (
        SELECT 1 FROM closed WHERE closed.flag = flagged.flag AND closed.tank_id IN (flagged.tank_id, '*')
    )
)

SELECT * FROM final
