-- trial_outcomes
--
-- purpose: what became of the tanks of a trial, counted as they were assigned.
-- grain: one row per season, practice assigned, outcome and tank, also for tanks that never reported.
-- reads: staged_trials, tank_outcomes
-- key: season, factor, outcome, tank_id
-- returns:
--   season [season]: season of the trial
--   factor [text]: practice assigned
--   outcome [text]: hatch, hatch_to_release, delivered_to_release
--   tank_id [code]: tank
--   level [text]: level assigned
--   block [text]: tanks among which levels were drawn, within the season
--   followed [true/false]: did as assigned; NULL when nothing tells
--   eggs [count]: trials of the outcome; NULL when not usable
--   survivors [count]: survivors; NULL when not usable
--   usable [true/false]: both numbers are there and the trials are more than none
--   why_unusable [text]: why not
WITH trials AS (SELECT * FROM staged_trials),

outcomes AS (SELECT * FROM tank_outcomes),

outcome_names (outcome) AS (VALUES ('hatch'), ('hatch_to_release'), ('delivered_to_release')),

final AS (
    SELECT
        trials.season,
        trials.factor,
        outcome_names.outcome,
        trials.tank_id,
        trials.level,
        trials.block,
        trials.followed,
        outcomes.eggs,
        outcomes.survivors,
        coalesce(outcomes.usable, false) AS usable,
        CASE
            WHEN NOT trials.has_setup THEN 'never set up'
            WHEN outcomes.tank_id IS NULL THEN 'no delivery recorded'
            ELSE outcomes.why_unusable
        END AS why_unusable
    FROM trials
    CROSS JOIN outcome_names
    LEFT JOIN outcomes USING (season, tank_id, outcome)
)

SELECT * FROM final ORDER BY season, factor, outcome, tank_id
