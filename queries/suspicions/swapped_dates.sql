-- swapped_dates
--
-- purpose: dates that lie outside their tank's seasons, in one without eggs, sooner than its eggs come so far, or out
--     of the order of their file, and fit once day and month change places.
-- grain: one row per date in a row of a file (consecutive equal dates count once).
-- reads: dated_rows, deliveries, batches, stages, exits, shifted_years, tank_spans, span_dates, too_soon, settings
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
WITH swappable AS (
    SELECT *, make_date(year(day), day(day), month(day)) AS swapped
    FROM dated_rows
    WHERE day(day) <= 12 AND day(day) <> month(day)
),

placed AS (
    SELECT
        swappable.*,
        span_dates.season,
        CASE WHEN needs_eggs THEN coalesce(eggs_from, filled_from) ELSE filled_from END AS starts_on,
        span_dates.until AS ends_on,
        eggs_from IS NOT NULL AND swapped BETWEEN starts_on AND ends_on AS fits_swapped,
        -- Two weeks of grace on either side for the date as written, but nothing leaves before it came.
        day BETWEEN starts_on - CASE table_name WHEN 'exits' THEN 0 ELSE 14 END AND ends_on + 14 AS fits_as_written,
        needs_eggs AND is_bare AS is_bare
    FROM swappable
    INNER JOIN span_dates USING (tank_id)
),

by_season AS (
    SELECT
        tank_id, table_name, column_name, day, swapped, upload, line, rows, day_before, day_after,
        arg_max(starts_on, season) FILTER (fits_swapped) AS starts_on,
        arg_max(ends_on, season) FILTER (fits_swapped) AS ends_on,
        CASE WHEN bool_or(fits_as_written) THEN 'no_delivery' ELSE 'season' END AS evidence
    FROM placed
    GROUP BY ALL
    HAVING NOT bool_or(fits_as_written AND NOT is_bare)
        AND bool_or(fits_swapped)
        -- Until its delivery is sent, the first dead of a season are on record before its eggs.
        AND (
            table_name = 'exits'
            OR NOT bool_or(fits_as_written)
            OR (coalesce(day_before <= swapped, false) AND coalesce(swapped <= day_after, true))
        )
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

-- Of the season in which it fits, no such row is there yet.
early AS (
    SELECT
        placed.tank_id, placed.table_name, column_name, placed.day, swapped, placed.upload, placed.line, rows,
        day_before, day_after, starts_on, ends_on, 'too_soon' AS evidence,
        min(too_soon.delivered_on) AS delivered_on,
        min(soonest_on) AS soonest_on
    FROM placed
    INNER JOIN too_soon USING (tank_id, table_name, upload, day)
    WHERE fits_swapped
        AND placed.season <> too_soon.season
        AND NOT EXISTS (
            SELECT 1 FROM exits
            WHERE too_soon.event = fate AND exits.tank_id = placed.tank_id AND season_of(exited_on) = placed.season
        )
        AND NOT EXISTS (
            SELECT 1 FROM stages
            WHERE too_soon.event = stage
                AND stages.tank_id = placed.tank_id
                AND season_of(first_seen_on) = placed.season
        )
    GROUP BY ALL
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

with_early AS (
    SELECT * FROM told
    UNION ALL BY NAME
    SELECT early.* FROM early ANTI JOIN told USING (upload, line, column_name)
),

everything AS (
    SELECT
        *,
        coalesce(day_before, day_after) IS NOT NULL
        AND coalesce(day_before <= swapped, true) AND coalesce(swapped <= day_after, true) AS is_between
    FROM with_early
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
    everything.evidence,
    delivered_on,
    soonest_on,
    CASE
        WHEN coalesce(shifted_years.is_in_order, false) OR NOT coalesce(is_between, false) THEN shifted_years.year_on
    END AS year_on
FROM everything
LEFT JOIN shifted_years USING (upload, line, column_name)
-- Where the order of the file fits the year alone, day and month did not change places.
WHERE NOT coalesce(shifted_years.is_in_order AND NOT is_between, false)
