-- staged_losses
--
-- purpose: checks for dead eggs or fish with their season; a number of dead only where one was counted.
-- grain: one row per check, in a season with a set-up.
-- reads: losses, staged_setups, settings
-- key: season, tank_id, checked_on, stage
-- returns:
--   season [season]: season of the check
--   tank_id [code]: tank
--   checked_on [date]: date of the check
--   stage [text]: egg, alevin, fry
--   dead [count]: removed since the last check; NULL where it was not counted, never zero for a blank
--   entry [text]: counted, not_checked, unknown
--   suspected_cause [text]: as written
WITH losses_as_read AS (SELECT * FROM losses),

setups AS (SELECT season, tank_id FROM staged_setups),

dated AS (
    SELECT
        *,
        season_of(checked_on) AS season,
        coalesce(entry::VARCHAR, CASE WHEN dead IS NULL THEN 'unknown' ELSE 'counted' END) AS entry_or_default
    FROM losses_as_read
),

final AS (
    SELECT
        season,
        tank_id,
        checked_on,
        stage::VARCHAR AS stage,
        CASE WHEN entry_or_default = 'counted' THEN dead END AS dead,
        entry_or_default AS entry,
        suspected_cause::VARCHAR AS suspected_cause
    FROM dated
    INNER JOIN setups USING (season, tank_id)
)

SELECT * FROM final ORDER BY season, tank_id, checked_on, stage
