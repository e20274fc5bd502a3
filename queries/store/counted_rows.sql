-- counted_rows
--
-- purpose: the rows of each upload by table, beside what its ledger says of them. A file may feed several tables, and
--   one line of it give several rows; an upload that came before parts were counted fed one table, a row a line.
-- grain: one row per upload and table.
-- reads: whole_uploads, whole_upload_parts, whole_rejected_rows: of the ledger, what can be read; whole_rows: upload,
--   table_name and n of the received rows that can be read
-- returns:
--   upload [number]: upload
--   path [text]: its file
--   said_accepted [count]: rows that the ledger says were taken
--   accepted [count]: rows that are there
--   said_rejected [count]: rows that the ledger says were kept out
--   rejected [count]: rejected rows that are there
WITH out AS (SELECT upload, table_name, count(*) AS n FROM whole_rejected_rows GROUP BY ALL),

said AS (
    SELECT upload, table_name, rows_accepted, rows_rejected FROM whole_upload_parts WHERE rows_made IS NOT NULL
    UNION ALL
    SELECT upload, table_name, rows_accepted, rows_rejected
    FROM whole_uploads
    WHERE upload NOT IN (SELECT upload FROM whole_upload_parts WHERE rows_made IS NOT NULL)
),

known AS (SELECT upload, table_name FROM said UNION SELECT upload, table_name FROM whole_rows)

SELECT
    k.upload,
    u.path,
    coalesce(s.rows_accepted, 0) AS said_accepted,
    coalesce(h.n, 0) AS accepted,
    coalesce(s.rows_rejected, 0) AS said_rejected,
    coalesce(o.n, 0) AS rejected
FROM known AS k
JOIN whole_uploads AS u USING (upload)
LEFT JOIN said AS s ON (s.upload, s.table_name) = (k.upload, k.table_name)
LEFT JOIN whole_rows AS h ON (h.upload, h.table_name) = (k.upload, k.table_name)
LEFT JOIN out AS o ON (o.upload, o.table_name) = (k.upload, k.table_name)
ORDER BY k.upload, k.table_name
