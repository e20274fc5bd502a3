-- dates_await_mending
--
-- purpose: how many dates cannot be judged, and for lack of which rows.
-- grain: one row, which points at the first such date of the last upload that has one; none where all can be judged.
-- reads: unsettled_dates
-- returns:
--   tank_id [code]: tank of the date pointed at
--   table_name [text]: table of the row pointed at
--   column_name [text]: column of the cell pointed at
--   value [as written]: the cell
--   upload [number]: upload of the row pointed at
--   line [spreadsheet row]: row pointed at
--   written_on [date]: the date pointed at
--   dates [count]: dates that cannot be judged
--   tanks [count]: tanks that they belong to
--   awaited_rows [count]: rows that wait to be mended and bear on them
--   awaited_place [text]: the first of these, by file and line
WITH awaited AS (
    SELECT sum(awaited_rows)::BIGINT AS awaited_rows, min(awaited_place) AS awaited_place
    FROM (SELECT DISTINCT awaited_tank_id, awaited_season, awaited_rows, awaited_place FROM unsettled_dates)
),

dates AS (
    SELECT DISTINCT tank_id, table_name, column_name, upload, line, written_on FROM unsettled_dates
)

SELECT
    tank_id,
    table_name,
    column_name,
    written_on::VARCHAR AS value,
    upload,
    line,
    written_on,
    count(*) OVER () AS dates,
    (SELECT count(DISTINCT tank_id) FROM dates) AS tanks,
    awaited_rows,
    awaited_place
FROM dates
CROSS JOIN awaited
QUALIFY row_number() OVER (ORDER BY upload DESC, line, column_name, tank_id) = 1
