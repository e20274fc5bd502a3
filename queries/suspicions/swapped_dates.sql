-- swapped_dates
--
-- purpose: dates that lie outside their tank's seasons, or out of the order of their file, and fit once day and month
--     change places.
-- grain: one row per date in a row of a file (consecutive equal dates count once).
-- reads: dated_rows, deliveries, batches, shifted_years, tank_spans, record_spans, settings
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
--   year_on [date]: the same day of another year, where a wrong year explains the date as well
WITH swappable AS (
    SELECT *, make_date(year(day), day(day), month(day)) AS swapped
    FROM dated_rows
    WHERE day(day) <= 12 AND day(day) <> month(day)
),

placed AS (
    SELECT
        swappable.*,
        record_spans.season,
        CASE WHEN needs_eggs THEN coalesce(eggs_from, filled_from) ELSE filled_from END AS starts_on,
        record_spans.until AS ends_on,
        eggs_from IS NOT NULL AND swapped BETWEEN starts_on AND ends_on AS fits_swapped
    FROM swappable
    INNER JOIN record_spans USING (tank_id)
),

-- Two weeks of grace on either side for the date as written, none for the swapped one.
by_season AS (
    SELECT
        tank_id, table_name, column_name, day, swapped, upload, line, rows, day_before, day_after,
        arg_max(starts_on, season) FILTER (fits_swapped) AS starts_on,
        arg_max(ends_on, season) FILTER (fits_swapped) AS ends_on,
        'season' AS evidence
    FROM placed
    GROUP BY ALL
    HAVING NOT bool_or(day BETWEEN starts_on - 14 AND ends_on + 14)
        AND bool_or(fits_swapped)
),

-- Within a file kept in order, a date that jumps out of it while its swap falls between its neighbours.
by_order AS (
    SELECT
        tank_id, table_name, column_name, day, swapped, upload, line, rows, day_before, day_after,
        NULL::DATE AS starts_on,
        NULL::DATE AS ends_on,
        'order' AS evidence
    FROM swappable
    WHERE (in_order_share >= 0.8 OR steps_back = 1)
        AND day_before <= day_after
        AND day_after - day_before <= 45
        -- the neighbours themselves must be in order, or they may be the ones that are wrong
        AND coalesce(second_before <= day_before, true)
        AND coalesce(day_after <= second_after, true)
        AND NOT day BETWEEN day_before AND day_after
        AND swapped BETWEEN day_before AND day_after
),

-- Fish released on the day the tank was emptied, once the date is read the other way.
at_close AS (
    SELECT
        swappable.tank_id, table_name, column_name, day, swapped, swappable.upload, swappable.line, rows,
        day_before, day_after,
        tank_spans.first_delivered_on AS starts_on,
        tank_spans.closed_on AS ends_on,
        'close' AS evidence
    FROM swappable
    INNER JOIN tank_spans ON tank_spans.tank_id = swappable.tank_id AND tank_spans.closed_on = swappable.swapped
    WHERE table_name = 'exits'
),

deliveries_swapped AS (
    SELECT
        deliveries.tank_id,
        'deliveries' AS table_name,
        'delivered_on' AS column_name,
        delivered_on::DATE AS day,
        make_date(year(delivered_on), day(delivered_on), month(delivered_on)) AS swapped,
        deliveries.upload,
        deliveries.line,
        1 AS rows,
        NULL::DATE AS day_before,
        NULL::DATE AS day_after,
        batches.spawned_on AS starts_on,
        batches.spawned_on + 200 AS ends_on,
        'spawning' AS evidence
    FROM deliveries
    INNER JOIN batches USING (batch_id)
    WHERE day(delivered_on) <= 12
        AND day(delivered_on) <> month(delivered_on)
        AND NOT delivered_on::DATE BETWEEN batches.spawned_on AND batches.spawned_on + 200
        AND make_date(year(delivered_on), day(delivered_on), month(delivered_on))
        BETWEEN batches.spawned_on AND batches.spawned_on + 200
),

told AS (
    SELECT * FROM by_season
    UNION ALL
    SELECT by_order.* FROM by_order ANTI JOIN by_season USING (upload, line, column_name)
    UNION ALL
    SELECT at_close.*
    FROM at_close
    ANTI JOIN by_season USING (upload, line, column_name)
    ANTI JOIN by_order USING (upload, line, column_name)
    UNION ALL
    SELECT * FROM deliveries_swapped
),

everything AS (
    SELECT
        *,
        coalesce(day_before, day_after) IS NOT NULL
        AND coalesce(day_before <= swapped, true) AND coalesce(swapped <= day_after, true) AS is_between
    FROM told
)

SELECT
    everything.tank_id,
    everything.table_name,
    column_name,
    day::VARCHAR AS value,
    upload,
    line,
    day AS written_on,
    swapped AS swapped_on,
    everything.rows,
    everything.starts_on,
    everything.ends_on,
    day_before,
    day_after,
    evidence,
    CASE
        WHEN coalesce(shifted_years.is_in_order, false) OR NOT coalesce(is_between, false) THEN shifted_years.year_on
    END AS year_on
FROM everything
LEFT JOIN shifted_years USING (upload, line, column_name)
-- Where the order of the file fits the year alone, day and month did not change places.
WHERE NOT coalesce(shifted_years.is_in_order AND NOT is_between, false)
