-- span_dates
--
-- purpose: the days on which a record of a tank makes sense, with how many dates typed by hand lie on them.
-- grain: one row per row of record_spans.
-- reads: record_spans, dated_rows
-- returns:
--   season [season]: season
--   tank_id [code]: tank
--   eggs_from [date]: first day with eggs or fish; NULL where nothing is known of its eggs
--   filled_from [date]: first day on which there was water in it
--   until [date]: last day
--   dates [count]: dates on these days
--   exit_dates [count]: of these, of fish that left
--   is_bare [true/false]: nothing is known of its eggs, and of dates that need some there are few beside another stay:
--     a season of which only the delivery is still to come has about as many as another
WITH counted AS (
    SELECT
        record_spans.*,
        count(day) AS dates,
        count(day) FILTER (table_name = 'exits') AS exit_dates,
        count(day) FILTER (needs_eggs) AS egg_dates
    FROM record_spans
    LEFT JOIN dated_rows ON dated_rows.tank_id = record_spans.tank_id AND day BETWEEN filled_from AND until
    GROUP BY ALL
)

SELECT
    * EXCLUDE (egg_dates),
    eggs_from IS NULL
    AND egg_dates <= greatest(
        1, coalesce(max(dates) FILTER (eggs_from IS NOT NULL) OVER (PARTITION BY tank_id), 0) // 4
    ) AS is_bare
FROM counted
