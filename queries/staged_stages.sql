-- staged_stages
--
-- purpose: development events with the season told by the date on which they were first seen.
-- grain: one row per event of a tank, in a season with a set-up.
-- reads: stages, staged_setups, settings
-- key: season, tank_id, stage
-- returns:
--   season [season]: season of first_seen_on
--   tank_id [code]: tank
--   stage [text]: eyed, hatch_first, hatch_half, hatch_all, button_up, first_feeding
--   last_absent_on [date]: last date on which someone looked and it had not happened
--   first_seen_on [date]: first date on which it was seen
--   dating [text]: seen, inferred, copied_from_forecast
WITH stages_as_read AS (SELECT * FROM stages),

setups AS (SELECT season, tank_id FROM staged_setups),

dated AS (
    SELECT *, season_of(first_seen_on) AS season, coalesce(dating, 'seen') AS dating_or_default FROM stages_as_read
),

final AS (
    SELECT
        season,
        tank_id,
        stage,
        last_absent_on,
        first_seen_on,
        dating_or_default AS dating
    FROM dated
    INNER JOIN setups USING (season, tank_id)
)

SELECT * FROM final ORDER BY season, tank_id, stage
