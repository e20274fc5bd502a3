-- unsettled_dates
--
-- purpose: the dates with day and month swapped, or of a wrong year, that cannot be judged: a set-up or a delivery of
--     the season in which they lie as written waits to be mended, and no other delivery of it is known.
-- grain: one row per such date and tank and season with rows that wait.
-- reads: swapped_dates, shifted_years, awaited_seasons, tank_spans, settings
-- returns:
--   tank_id [code]: tank of the date
--   table_name [text]: table of the row
--   column_name [text]: column of the cell
--   upload [number]: upload of the row
--   line [spreadsheet row]: the row, the first of its group
--   written_on [date]: as written
--   awaited_tank_id [code]: tank of the rows that wait; NULL where they may mean any
--   awaited_season [season]: their season; NULL where they may mean any
--   awaited_rows [count]: how many they are
--   awaited_place [text]: the first of them, by file and line
WITH dated AS (
    SELECT tank_id, table_name, column_name, upload, line, written_on, season_of(written_on) AS season
    FROM swapped_dates
    WHERE evidence IN ('season', 'no_delivery')
    UNION
    SELECT tank_id, table_name, column_name, upload, line, written_on, season_of(written_on) FROM shifted_years
),

delivered AS (
    SELECT tank_id, season FROM tank_spans WHERE first_delivered_on IS NOT NULL
)

SELECT
    dated.tank_id,
    dated.table_name,
    dated.column_name,
    dated.upload,
    dated.line,
    dated.written_on,
    awaited.tank_id AS awaited_tank_id,
    awaited.season AS awaited_season,
    awaited.rows AS awaited_rows,
    awaited.first_place AS awaited_place
FROM dated
INNER JOIN awaited_seasons AS awaited
    ON coalesce(awaited.tank_id, dated.tank_id) = dated.tank_id
    AND coalesce(awaited.season, dated.season) = dated.season
ANTI JOIN delivered ON delivered.tank_id = dated.tank_id AND delivered.season = dated.season
