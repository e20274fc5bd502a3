-- day_month_swapped
--
-- purpose: the swapped dates that can be judged: one is not held against the windows of other seasons as long as a
--     set-up or a delivery of its own season waits to be mended.
-- grain: one row per date in a row of a file (consecutive equal dates count once).
-- reads: swapped_dates, awaited_seasons, tank_spans, settings
-- returns:
--   tank_id [code]: tank the suspicion is about
--   table_name [text]: table of the row pointed at
--   column_name [text]: column of the cell pointed at
--   value [as written]: the cell
--   upload [number]: upload of the row pointed at
--   line [spreadsheet row]: row pointed at, the first of its group
--   written_on [date]: as written
--   swapped_on [date]: with day and month changed
--   rows [count]: consecutive rows with that date
--   starts_on [date]: first day on which such a record makes sense
--   ends_on [date]: last such day
--   day_before [date]: date in the row before it
--   day_after [date]: date in the row after it
--   evidence [text]: season, order, close or spawning
WITH dated AS (
    SELECT DISTINCT tank_id, season_of(written_on) AS season FROM swapped_dates WHERE evidence = 'season'
),

unsettled AS (
    SELECT DISTINCT dated.tank_id, dated.season
    FROM dated
    INNER JOIN awaited_seasons AS awaited
        ON awaited.tank_id IS NULL OR (awaited.tank_id = dated.tank_id AND awaited.season = dated.season)
    ANTI JOIN (SELECT tank_id, season FROM tank_spans WHERE first_delivered_on IS NOT NULL) AS known
        ON known.tank_id = dated.tank_id AND known.season = dated.season
)

SELECT swapped_dates.*
FROM swapped_dates
ANTI JOIN unsettled
    ON evidence = 'season'
    AND swapped_dates.tank_id = unsettled.tank_id
    AND season_of(written_on) = unsettled.season
