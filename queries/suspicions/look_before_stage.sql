-- look_before_stage
--
-- purpose: stages seen without a last_absent_on although somebody counted the dead of that tank on a day before: that
--     day may be the one, if the stage had not come then. It is asked, never filled in. First feeding is something
--     people do, so nobody looks for its absence.
-- grain: one row per tank and season with such stages.
-- reads: stages, losses, tank_spans, uploads, settings
-- returns:
--   tank_id [code]: tank the suspicion is about
--   table_name [text]: table of the row pointed at
--   column_name [text]: column of the cell pointed at
--   value [as written]: the cell
--   upload [number]: upload of the row pointed at
--   line [spreadsheet row]: row pointed at, the first of its group
--   season [season]: season
--   events [list of stages]: in the order seen: the stage, first_seen_on, looked_on (last day before on which the
--     dead were counted, since the eggs came) and looked_place (file and line of that count)
WITH open_ended AS (
    SELECT *, season_of(first_seen_on) AS season
    FROM stages
    WHERE last_absent_on IS NULL AND dating = 'seen' AND stage != 'first_feeding'
),

looks AS (
    SELECT tank_id, checked_on, arg_max(upload, (upload, line)) AS upload, arg_max(line, (upload, line)) AS line
    FROM losses
    WHERE entry = 'counted'
    GROUP BY tank_id, checked_on
),

looked_before AS (
    SELECT
        open_ended.season,
        open_ended.tank_id,
        open_ended.upload,
        open_ended.line,
        {
            'stage': open_ended.stage,
            'first_seen_on': open_ended.first_seen_on,
            'looked_on': looks.checked_on,
            'looked_place': concat(uploads.path, ', line ', looks.line)
        } AS event
    FROM open_ended
    INNER JOIN tank_spans AS spans USING (season, tank_id)
    ASOF INNER JOIN looks
        ON open_ended.tank_id = looks.tank_id AND open_ended.first_seen_on > looks.checked_on
    INNER JOIN uploads ON looks.upload = uploads.upload
    WHERE looks.checked_on >= spans.first_delivered_on
)

SELECT
    tank_id,
    'stages' AS table_name,
    'last_absent_on' AS column_name,
    NULL::VARCHAR AS value,
    min((upload, line))[1] AS upload,
    min((upload, line))[2] AS line,
    season,
    list(event ORDER BY event.first_seen_on, upload, line) AS events
FROM looked_before
GROUP BY season, tank_id
