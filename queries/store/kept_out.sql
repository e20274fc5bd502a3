-- kept_out
--
-- purpose: the rejected rows that wait to be mended and name a tank, whatever else of them cannot be read: what a site
--   sent is not asked for as if it had not.
-- grain: one row per such row
-- reads: waiting, upload_parts, findings; season_start: month and day on which a season starts, 801 for 1 August
-- returns:
--   tank_id [code]: tank, as written
--   table_name [text]: the table the row was meant for
--   season [number]: season of its date; NULL where that cannot be read
--   years [texts]: years that its cells name, where the season cannot be told
--   path [text]: its file
--   line [number]: row of the spreadsheet
--   wrong [texts]: columns whose cells cannot be taken, in the order of the alphabet
WITH parts AS (
    SELECT upload, table_name, list_transform(header, lambda name: lower(trim(name))) AS header FROM upload_parts
),

sent AS (
    SELECT
        waiting.*,
        from_json(raw, '["VARCHAR"]') AS cells,
        list_position(header, 'tank_id') AS place,
        list_filter(list_transform(key, lambda part: TRY_CAST(part AS DATE)), lambda day: day IS NOT NULL)[1] AS day
    FROM waiting
    INNER JOIN parts USING (upload, table_name)
),

faults AS (
    SELECT upload, line, table_name, list(DISTINCT "column" ORDER BY "column") AS wrong
    FROM findings
    WHERE level = 'error' AND "column" IS NOT NULL
    GROUP BY ALL
)

SELECT
    trim(cells[place]) AS tank_id,
    table_name,
    CASE
        WHEN table_name IN ('setups', 'trials') THEN TRY_CAST(key[1] AS INTEGER)
        ELSE year(day) - (month(day) * 100 + day(day) < $season_start)::INTEGER
    END AS season,
    CASE
        WHEN season IS NULL THEN list_distinct(regexp_extract_all(array_to_string(cells, ' '), '\b20[0-9]{2}\b'))
        ELSE []
    END AS years,
    path,
    line,
    coalesce(wrong, []) AS wrong
FROM sent
LEFT JOIN faults USING (upload, line, table_name)
WHERE trim(cells[place]) <> ''
ORDER BY path, line, table_name
