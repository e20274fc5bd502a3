-- span_dates
--
-- purpose: the days on which a record of a tank makes sense, with how many dates typed by hand lie on them, and whether
--     the tank had no eggs in that season as far as its dates tell.
-- grain: one row per row of record_spans.
-- reads: record_spans, dated_rows, exits, settings
-- returns:
--   season [season]: season
--   tank_id [code]: tank
--   eggs_from [date]: first delivery; NULL where nothing is known of its eggs
--   filled_from [date]: first day on which there was water in it
--   until [date]: last day
--   dates [count]: dates on these days
--   exit_dates [count]: of these, of fish that left
--   is_bare [true/false]: no delivery is known, no fish came from another tank, and of dates that need eggs there are
--     few beside another stay of the tank, and in few of the tanks that lack a delivery: a season of which only the
--     deliveries are still to come has about as many as another
WITH counted AS (
    SELECT
        record_spans.*,
        count(day) AS dates,
        count(day) FILTER (table_name = 'exits') AS exit_dates,
        count(day) FILTER (needs_eggs) AS egg_dates
    FROM record_spans
    LEFT JOIN dated_rows ON dated_rows.tank_id = record_spans.tank_id AND day BETWEEN filled_from AND until
    GROUP BY ALL
),

compared AS (
    SELECT
        *,
        coalesce(max(dates) FILTER (eggs_from IS NOT NULL) OVER (PARTITION BY tank_id), 0) AS most_dates,
        count_if(eggs_from IS NULL) OVER (PARTITION BY season) AS lacking,
        count_if(eggs_from IS NULL AND egg_dates > 0) OVER (PARTITION BY season) AS lacking_with_dates
    FROM counted
),

came_in AS (
    SELECT DISTINCT season_of(exited_on) AS season, tank_id FROM exits WHERE fate = 'transferred_in'
)

SELECT
    compared.* EXCLUDE (egg_dates, most_dates, lacking, lacking_with_dates),
    eggs_from IS NULL
    AND came_in.tank_id IS NULL
    AND egg_dates <= greatest(1, most_dates // 4)
    AND lacking_with_dates <= greatest(1, lacking // 4) AS is_bare
FROM compared
LEFT JOIN came_in USING (season, tank_id)
