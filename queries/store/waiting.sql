-- waiting
--
-- purpose: the rejected rows that nobody has withdrawn, dismissed, or sent again in a mended copy. A row whose key has
--   come since in a good row waits no longer; the columns of the key differ by table, so that is looked up apart.
-- grain: one row per rejected row; of rows that were sent several times and kept out each time, those of the last
--   load: rows of one key, or, without a readable key, of the same cells
-- reads: rejected_rows, uploads, dismissed, mended; tables: names of the uploaded tables that are asked for
-- returns:
--   upload [number]: upload that brought the row
--   path [text]: its file
--   loaded_at [UTC time]: when it came
--   line [number]: row of the spreadsheet
--   table_name [text]: the table it was meant for
--   key [texts]: its key; NULL when a part of it cannot be read
--   raw [JSON]: its cells as received
--   problems [text]: what is wrong with it
SELECT r.upload, u.path, u.loaded_at, r.line, r.table_name, r.key, r.raw, r.problems
FROM rejected_rows AS r
JOIN uploads AS u USING (upload)
WHERE
    r.mendable
    AND NOT u.withdrawn
    AND list_contains($tables::VARCHAR[], r.table_name)
    AND NOT EXISTS (SELECT 1 FROM dismissed AS d WHERE d.upload = r.upload AND d.line = r.line)
    AND NOT EXISTS (
        SELECT 1
        FROM mended AS m
        JOIN uploads AS later ON m.by_upload = later.upload
        WHERE
            m.upload = r.upload
            AND m.line = r.line
            AND NOT later.withdrawn
            AND list_contains(string_split(later.table_name, '+'), r.table_name)
    )
-- Rows without a readable key cannot be told to be one: alike in one load they all wait, in a later load they are
-- taken to be the same rows again.
QUALIFY
    CASE
        WHEN r.key IS NOT NULL THEN r.upload = max(r.upload) OVER (PARTITION BY r.table_name, r.key)
        ELSE
            coalesce(u.told_at, 'infinity'::TIMESTAMP)
            = max(coalesce(u.told_at, 'infinity'::TIMESTAMP)) OVER (PARTITION BY r.table_name, r.key, r.raw)
    END
