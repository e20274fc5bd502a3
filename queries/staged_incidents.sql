-- staged_incidents
--
-- purpose: interruptions and interventions with their season and length.
-- grain: one row per incident, in a season with a set-up.
-- reads: incidents, staged_setups, settings
-- key: season, tank_id, started_at, kind
-- returns:
--   season [season]: season in which it started
--   tank_id [code]: tank
--   started_at [local time]: start; midnight when only the date is known
--   ended_at [local time]: end; midnight when only the date is known, NULL when not recorded
--   kind [text]: as in the incidents table
--   is_interruption [true/false]: power, chiller or pump stopped
--   length_hours [h]: from start to end where both hours are known, else NULL
--   extreme_temp_c [°C]: temperature reached
--   water_changed_pct [%]: share of water changed
WITH incidents_as_read AS (SELECT * FROM incidents),

setups AS (SELECT season, tank_id FROM staged_setups),

dated AS (
    SELECT *, season_of(started_at) AS season FROM incidents_as_read
),

final AS (
    SELECT
        season,
        tank_id,
        started_at,
        ended_at,
        kind::VARCHAR AS kind,
        kind IN ('power_cut', 'chiller_stopped', 'pump_stopped') AS is_interruption,
        CASE
            WHEN started_at_has_hour AND ended_at_has_hour THEN (epoch(ended_at) - epoch(started_at)) / 3600.0
        END AS length_hours,
        extreme_temp_c,
        water_changed_pct
    FROM dated
    INNER JOIN setups USING (season, tank_id)
)

SELECT * FROM final ORDER BY season, tank_id, started_at, kind
