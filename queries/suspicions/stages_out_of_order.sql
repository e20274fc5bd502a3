-- stages_out_of_order
--
-- purpose: events seen before an event that must come first. A date that fits when day and month are swapped is left
--     to that rule.
-- grain: one row per event seen too early.
-- reads: stages, swapped_dates, settings
-- returns:
--   tank_id [code]: tank the suspicion is about
--   table_name [text]: table of the row pointed at
--   column_name [text]: column of the cell pointed at
--   value [as written]: the cell
--   upload [number]: upload of the row pointed at
--   line [spreadsheet row]: row pointed at, the first of its group
--   stage [text]: the event seen too early
--   first_seen_on [date]: when it was first seen
--   earlier_stage [text]: the event that must come first, the last seen of them
--   earlier_seen_on [date]: when that was first seen
WITH ranks AS (
    SELECT
        unnest(['eyed', 'hatch_first', 'hatch_half', 'hatch_all', 'button_up']) AS stage,
        unnest([1, 2, 3, 4, 5]) AS rank
),

-- First feeding is an act, and may come a little before button-up is noticed, but not before all have hatched.
ranked AS (
    SELECT stages.*, season_of(stages.first_seen_on) AS season, coalesce(ranks.rank, 4.5) AS rank
    FROM stages
    LEFT JOIN ranks USING (stage)
),

swapped AS (SELECT upload, line FROM swapped_dates WHERE table_name = 'stages'),

sound AS (
    SELECT ranked.* FROM ranked ANTI JOIN swapped USING (upload, line)
),

pairs AS (
    SELECT
        later.tank_id,
        later.stage,
        later.first_seen_on,
        later.upload,
        later.line,
        arg_max(earlier.stage, (earlier.first_seen_on, earlier.rank)) AS earlier_stage,
        max(earlier.first_seen_on) AS earlier_seen_on
    FROM sound AS later
    INNER JOIN sound AS earlier
        ON later.tank_id = earlier.tank_id
        AND later.season = earlier.season
        AND earlier.rank < later.rank
        AND NOT (earlier.stage = 'button_up' OR (earlier.stage = 'first_feeding' AND later.stage = 'button_up'))
        AND later.first_seen_on < earlier.first_seen_on
    GROUP BY ALL
),

final AS (
    SELECT
        tank_id,
        'stages' AS table_name,
        'first_seen_on' AS column_name,
        first_seen_on::VARCHAR AS value,
        upload,
        line,
        stage,
        first_seen_on,
        earlier_stage,
        earlier_seen_on
    FROM pairs
)

SELECT * FROM final
