-- stage_outside_season
--
-- purpose: events dated before the eggs came or after the tank was emptied. A date that fits when day and month are
--     swapped is left to that rule.
-- grain: one row per event.
-- reads: stages, tank_spans, swapped_dates, settings
-- returns:
--   tank_id [code]: tank the suspicion is about
--   table_name [text]: table of the row pointed at
--   column_name [text]: column of the cell pointed at
--   value [as written]: the cell
--   upload [number]: upload of the row pointed at
--   line [spreadsheet row]: row pointed at, the first of its group
--   stage [text]: the event
--   first_seen_on [date]: when it was first seen
--   delivered_on [date]: first delivery of the season
--   closed_on [date]: date the tank was emptied
--   is_before [true/false]: before the delivery, else after the close
WITH dated AS (
    SELECT *, season_of(first_seen_on) AS season FROM stages
),

swapped AS (SELECT upload, line FROM swapped_dates WHERE table_name = 'stages'),

outside AS (
    SELECT
        dated.*,
        tank_spans.first_delivered_on,
        tank_spans.closed_on,
        dated.first_seen_on < tank_spans.first_delivered_on AS is_before
    FROM dated
    INNER JOIN tank_spans USING (season, tank_id)
    WHERE dated.first_seen_on < tank_spans.first_delivered_on OR dated.first_seen_on > tank_spans.closed_on
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
        first_delivered_on AS delivered_on,
        closed_on,
        coalesce(is_before, false) AS is_before
    FROM outside
    ANTI JOIN swapped USING (upload, line)
)

SELECT * FROM final
