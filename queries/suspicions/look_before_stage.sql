-- look_before_stage
--
-- purpose: events seen without a last_absent_on although somebody counted the dead of that tank on a day before: that
--     day may be the one, if the event had not happened then. It is asked, never filled in.
-- grain: one row per event.
-- reads: stages, losses, tank_spans, uploads, settings
-- returns:
--   tank_id [code]: tank the suspicion is about
--   table_name [text]: table of the row pointed at
--   column_name [text]: column of the cell pointed at
--   value [as written]: the cell
--   upload [number]: upload of the row pointed at
--   line [spreadsheet row]: row pointed at, the first of its group
--   stage [text]: the event
--   first_seen_on [date]: when it was first seen
--   looked_on [date]: last day before on which the dead were counted, since the eggs came
--   looked_place [text]: file and line of that count
WITH open_ended AS (
    SELECT *, season_of(first_seen_on) AS season
    FROM stages
    WHERE last_absent_on IS NULL AND dating = 'seen'
),

looks AS (
    SELECT tank_id, checked_on, arg_max(upload, (upload, line)) AS upload, arg_max(line, (upload, line)) AS line
    FROM losses
    WHERE entry = 'counted'
    GROUP BY tank_id, checked_on
)

SELECT
    open_ended.tank_id,
    'stages' AS table_name,
    'last_absent_on' AS column_name,
    NULL::VARCHAR AS value,
    open_ended.upload,
    open_ended.line,
    open_ended.stage,
    open_ended.first_seen_on,
    looks.checked_on AS looked_on,
    concat(uploads.path, ', line ', looks.line) AS looked_place
FROM open_ended
INNER JOIN tank_spans AS spans USING (season, tank_id)
ASOF INNER JOIN looks
    ON open_ended.tank_id = looks.tank_id AND open_ended.first_seen_on > looks.checked_on
INNER JOIN uploads ON looks.upload = uploads.upload
WHERE looks.checked_on >= spans.first_delivered_on
