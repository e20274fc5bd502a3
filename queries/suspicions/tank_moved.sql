-- tank_moved
--
-- purpose: tanks whose season is on record at two places or under two practices: their set-up was sent again with
--     another one, or an incident says that they were moved while they had eggs or fish. One set-up stands for the
--     whole season.
-- grain: one row per tank and season.
-- reads: setups, setups_sent, incidents, tank_spans, uploads, settings
-- returns:
--   tank_id [code]: tank the suspicion is about
--   table_name [text]: table of the row pointed at
--   column_name [text]: column of the cell pointed at
--   value [as written]: the cell
--   upload [number]: upload of the row pointed at
--   line [spreadsheet row]: row pointed at, the first of its group
--   season [season]: season
--   site_id [code]: site of the set-up that stands
--   from_site_id [code]: site of the set-up that it replaced; NULL when none was replaced by another
--   stands_place [text]: file and line of the set-up that stands
--   stands [text]: what it says otherwise than the one before; its site and room when none was replaced
--   replaced_place [text]: file and line of the one before, the last of several
--   replaced [text]: what that said
--   moved_on [date]: first day on which an incident says that it was moved; NULL when none does
--   moved_place [text]: file and line of that incident
WITH standing AS (
    SELECT setups.*, concat(uploads.path, ', line ', setups.line) AS place
    FROM setups
    INNER JOIN uploads USING (upload)
),

-- What a later file did not say was taken from the earlier row, and a blank filled in is no move.
compared AS (
    SELECT
        standing.season,
        standing.tank_id,
        sent.site_id AS from_site_id,
        concat(sent.path, ', line ', sent.line) AS replaced_place,
        sent.upload AS sent_upload,
        sent.line AS sent_line,
        list_filter(
            list_zip(
                ['site_id', 'room_type', 'gravel_practice', 'crushed_shell', 'light_cover', 'insulated'],
                ['site', 'room', 'bottom', 'crushed shell', 'light cover', 'insulated'],
                [sent.site_id, sent.room_type::VARCHAR, sent.gravel_practice::VARCHAR,
                    sent.crushed_shell::VARCHAR, sent.light_cover::VARCHAR, sent.insulated::VARCHAR],
                [standing.site_id, standing.room_type, standing.gravel_practice,
                    standing.crushed_shell::VARCHAR, standing.light_cover::VARCHAR, standing.insulated::VARCHAR]
            ),
            lambda one: one[3] <> one[4]
        ) AS differences
    FROM standing
    INNER JOIN setups_sent AS sent USING (season, tank_id)
    WHERE (sent.upload, sent.line) <> (standing.upload, standing.line)
),

again AS (
    SELECT
        season,
        tank_id,
        from_site_id,
        replaced_place,
        differences[1][1] AS first_column,
        array_to_string(list_transform(differences, lambda one: concat_ws(' ', one[2], one[3])), ', ') AS replaced,
        array_to_string(list_transform(differences, lambda one: concat_ws(' ', one[2], one[4])), ', ') AS stands
    FROM compared
    WHERE len(differences) > 0
    QUALIFY row_number() OVER (PARTITION BY season, tank_id ORDER BY sent_upload DESC, sent_line DESC) = 1
),

moved AS (
    SELECT
        spans.season,
        incidents.tank_id,
        min(incidents.started_at)::DATE AS moved_on,
        arg_min(incidents.upload, (incidents.started_at, incidents.line)) AS moved_upload,
        arg_min(incidents.line, (incidents.started_at, incidents.line)) AS moved_line
    FROM incidents
    INNER JOIN tank_spans AS spans
        ON incidents.tank_id = spans.tank_id
        AND incidents.started_at::DATE
        BETWEEN spans.first_delivered_on AND coalesce(spans.closed_on, spans.season_ends_on)
    WHERE incidents.kind = 'tank_moved'
    GROUP BY spans.season, incidents.tank_id
)

SELECT
    standing.tank_id,
    CASE WHEN again.replaced IS NULL THEN 'incidents' ELSE 'setups' END AS table_name,
    coalesce(again.first_column, 'kind') AS column_name,
    CASE WHEN again.replaced IS NULL THEN 'tank_moved' END AS value,
    CASE WHEN again.replaced IS NULL THEN moved.moved_upload ELSE standing.upload END AS upload,
    CASE WHEN again.replaced IS NULL THEN moved.moved_line ELSE standing.line END AS line,
    standing.season,
    standing.site_id,
    again.from_site_id,
    standing.place AS stands_place,
    coalesce(again.stands, concat_ws(', ', 'site ' || standing.site_id, 'room ' || standing.room_type)) AS stands,
    again.replaced_place,
    again.replaced,
    moved.moved_on,
    concat(told.path, ', line ', moved.moved_line) AS moved_place
FROM standing
LEFT JOIN again USING (season, tank_id)
LEFT JOIN moved USING (season, tank_id)
LEFT JOIN uploads AS told ON moved.moved_upload = told.upload
WHERE again.replaced IS NOT NULL OR moved.moved_on IS NOT NULL
