-- year_off
--
-- purpose: the dates whose year looks wrong and that can be judged. One that day and month changed explain as well is
--     left to that rule, which names both; one whose season waits for a set-up or delivery to be mended is not judged.
-- grain: one row per date in a row of a file (consecutive equal dates count once).
-- reads: shifted_years, shifted_set_ups, swapped_dates, unsettled_dates
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
--   evidence [text]: season, no_delivery, filled, closed or spawning
--   season [season]: season of a set-up
WITH shifted AS (
    SELECT * FROM shifted_years
    UNION ALL BY NAME
    SELECT * FROM shifted_set_ups
)

SELECT shifted.*
FROM shifted
ANTI JOIN swapped_dates USING (upload, line, column_name)
ANTI JOIN unsettled_dates USING (upload, line, column_name)
