-- staged_stages
--
-- purpose: development events with the season told by the date on which they were first seen.
-- grain: one row per event of a tank, in a season with a set-up.
-- reads: stages, staged_setups, forecast_matches, acknowledged, settings
-- key: season, tank_id, stage
-- returns:
--   season [season]: season of first_seen_on
--   tank_id [code]: tank
--   stage [text]: eyed, hatch_first, hatch_half, hatch_all, button_up, first_feeding
--   last_absent_on [date]: last date on which someone looked and it had not happened
--   first_seen_on [date]: first date on which it was seen
--   dating [text]: seen, inferred, copied_from_forecast
--   equals_forecast [true/false]: an open suspicion says that the date was taken from a forecast
WITH stages_as_read AS (SELECT * FROM stages),

setups AS (SELECT season, tank_id FROM staged_setups),

taken_from_forecast AS (
    SELECT DISTINCT upload, line
    FROM forecast_matches
    ANTI JOIN acknowledged
        ON acknowledged.rule = 'dating_equals_forecast' AND acknowledged.tank_id IN (forecast_matches.tank_id, '*')
),

dated AS (
    SELECT
        *,
        season_of(first_seen_on) AS season,
        coalesce(dating::VARCHAR, 'seen') AS dating_or_default
    FROM stages_as_read
),

final AS (
    SELECT
        season,
        tank_id,
        stage::VARCHAR AS stage,
        last_absent_on,
        first_seen_on,
        dating_or_default AS dating,
        taken_from_forecast.line IS NOT NULL AS equals_forecast
    FROM dated
    INNER JOIN setups USING (season, tank_id)
    LEFT JOIN taken_from_forecast USING (upload, line)
)

SELECT * FROM final ORDER BY season, tank_id, stage
