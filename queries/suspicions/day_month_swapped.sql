-- day_month_swapped
--
-- purpose: the swapped dates that can be judged: one is not held against the windows of other seasons as long as a
--     set-up or a delivery of its own season waits to be mended.
-- grain: one row per date in a row of a file (consecutive equal dates count once).
-- reads: swapped_dates, unsettled_dates
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
--   evidence [text]: season, no_delivery, too_soon, order, close or spawning
--   delivered_on [date]: delivery that the date follows too soon
--   soonest_on [date]: first day on which it can have been after that delivery
--   year_on [date]: the same day of another year, where a wrong year explains the date as well
SELECT swapped_dates.*
FROM swapped_dates
ANTI JOIN unsettled_dates USING (upload, line, column_name)
