-- dated_rows
--
-- purpose: every date typed by hand, in the order of its file, so that one can be held against its neighbours.
-- grain: one row per tank, upload, table, column and date in a row; equal dates in consecutive rows count once.
-- reads: losses, stages, exits, water_tests, incidents, temperatures, reading_streams
-- returns:
--   tank_id [code]: tank
--   table_name [text]: table
--   column_name [text]: column
--   day [date]: as written
--   upload [number]: upload
--   line [spreadsheet row]: first row with that date
--   rows [count]: consecutive rows with that date
--   needs_eggs [true/false]: makes no sense before eggs came; else the tank must at least have been filled
--   day_before [date]: date in the row before it
--   day_after [date]: date in the row after it
--   second_before [date]: date two rows before it
--   second_after [date]: date two rows after it
--   in_order_share [share]: share of steps between rows of that tank, table and upload that go forward
--   steps_back [count]: steps that go back
WITH hand AS (
    SELECT tank_id, 'losses' AS table_name, 'checked_on' AS column_name, checked_on AS day, upload, line,
        true AS needs_eggs
    FROM losses
    UNION ALL
    SELECT tank_id, 'stages', 'first_seen_on', first_seen_on, upload, line, true FROM stages
    UNION ALL
    SELECT tank_id, 'exits', 'exited_on', exited_on, upload, line, true FROM exits
    UNION ALL
    SELECT tank_id, 'water_tests', 'tested_on', tested_on, upload, line, false FROM water_tests
    UNION ALL
    SELECT tank_id, 'incidents', 'started_at', started_at::DATE, upload, line, false FROM incidents
    UNION ALL
    SELECT tank_id, 'temperatures', 'read_at', read_at::DATE, upload, line, false
    FROM temperatures
    -- nobody types more than three readings a day
    WHERE (tank_id, instrument) IN (
        SELECT tank_id, instrument FROM reading_streams WHERE instrument <> 'logger' AND NOT is_frequent
    )
),

changes AS (
    SELECT *, day IS DISTINCT FROM lag(day) OVER in_file AS is_new
    FROM hand
    WINDOW in_file AS (PARTITION BY tank_id, table_name, upload ORDER BY line)
),

numbered AS (
    SELECT *, count_if(is_new) OVER (PARTITION BY tank_id, table_name, upload ORDER BY line) AS block FROM changes
),

blocks AS (
    SELECT
        tank_id,
        table_name,
        any_value(column_name) AS column_name,
        any_value(day) AS day,
        upload,
        min(line) AS line,
        count(*) AS rows,
        any_value(needs_eggs) AS needs_eggs
    FROM numbered
    GROUP BY tank_id, table_name, upload, block
),

stepped AS (
    SELECT
        *,
        lag(day) OVER in_file AS day_before,
        lead(day) OVER in_file AS day_after,
        lag(day, 2) OVER in_file AS second_before,
        lead(day, 2) OVER in_file AS second_after
    FROM blocks
    WINDOW in_file AS (PARTITION BY tank_id, table_name, upload ORDER BY line)
)

SELECT
    *,
    avg((day > day_before)::INTEGER) OVER (PARTITION BY tank_id, table_name, upload) AS in_order_share,
    count_if(day < day_before) OVER (PARTITION BY tank_id, table_name, upload) AS steps_back
FROM stepped
