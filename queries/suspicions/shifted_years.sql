-- shifted_years
--
-- purpose: dates in a season for which their tank has neither set-up nor delivery, or no delivery where eggs are needed,
--     whose day one year later or earlier lies within the stay of its eggs.
-- grain: one row per date in a row of a file (consecutive equal dates count once).
-- reads: dated_rows, tank_spans, span_dates, settings
-- returns:
--   tank_id [code]: tank the suspicion is about
--   table_name [text]: table of the row pointed at
--   column_name [text]: column of the cell pointed at
--   value [as written]: the cell
--   upload [number]: upload of the row pointed at
--   line [spreadsheet row]: row pointed at, the first of its group
--   written_on [date]: as written
--   year_on [date]: the same day of the year that fits
--   other_year_on [date]: the same day of the other year, where that fits as well
--   rows [count]: consecutive rows with that date
--   starts_on [date]: first day on which such a record makes sense
--   ends_on [date]: last such day
--   is_in_order [true/false]: the day of that year also stands in the order of its file
--   evidence [text]: season, or no_delivery where the tank was set up in it
WITH outside AS (
    SELECT
        dated_rows.*,
        season_of(day) AS season,
        CASE WHEN set_up.tank_id IS NULL THEN 'season' ELSE 'no_delivery' END AS evidence
    FROM dated_rows
    LEFT JOIN tank_spans AS set_up ON set_up.tank_id = dated_rows.tank_id AND set_up.season = season_of(day)
    LEFT JOIN span_dates AS own ON own.tank_id = dated_rows.tank_id AND own.season = season_of(day)
    -- two weeks of grace, as for a date that may be swapped
    ANTI JOIN span_dates
        ON span_dates.tank_id = dated_rows.tank_id
        AND day BETWEEN span_dates.filled_from - 14 AND span_dates.until + 14
        AND NOT (needs_eggs AND span_dates.is_bare)
    WHERE set_up.tank_id IS NULL OR (needs_eggs AND own.is_bare)
),

strays AS (
    SELECT *, count(*) OVER (PARTITION BY tank_id, season) AS dates FROM outside
),

stayed AS (
    SELECT * FROM span_dates WHERE eggs_from IS NOT NULL
),

-- 29 February has no same day a year later.
moved AS (
    SELECT strays.*, (day + to_years(years))::DATE AS moved_on
    FROM strays
    CROSS JOIN (SELECT unnest([-1, 1]) AS years)
    WHERE day(moved_on) = day(day)
),

-- A season whose set-up is still to come has about as many dates as another: only few beside many are slips.
fitting AS (
    SELECT
        moved.*,
        CASE WHEN needs_eggs THEN eggs_from ELSE filled_from END AS starts_on,
        stayed.until AS ends_on,
        coalesce(
            (in_order_share >= 0.8 OR steps_back = 1) AND coalesce(day_before, day_after) IS NOT NULL
            AND coalesce(day_before <= moved_on, true) AND coalesce(moved_on <= day_after, true),
            false
        ) AS is_in_order
    FROM moved
    INNER JOIN stayed
        ON stayed.tank_id = moved.tank_id
        AND moved_on BETWEEN CASE WHEN needs_eggs THEN eggs_from ELSE filled_from END AND until
        AND moved.dates <= greatest(1, stayed.dates // 4)
    -- Until its delivery is sent, rows of a season are on record before its eggs: fish leave once a season.
    WHERE evidence = 'season' OR is_in_order OR (table_name = 'exits' AND exit_dates = 0)
)

SELECT
    tank_id,
    table_name,
    column_name,
    day::VARCHAR AS value,
    upload,
    line,
    day AS written_on,
    moved_on AS year_on,
    lead(moved_on) OVER (PARTITION BY upload, line, column_name, is_in_order ORDER BY moved_on) AS other_year_on,
    rows,
    starts_on,
    ends_on,
    is_in_order,
    evidence
FROM fitting
QUALIFY row_number() OVER (PARTITION BY upload, line, column_name ORDER BY is_in_order DESC, moved_on) = 1
