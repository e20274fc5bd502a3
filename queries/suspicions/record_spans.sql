-- record_spans
--
-- purpose: the days on which a record of a tank makes sense: from the delivery, or the filling, to its close; without
--     a close, the longest season there is.
-- grain: one row per tank and season with a set-up or a delivery, unless it closed before its eggs came.
-- reads: tank_spans, exits, settings
-- returns:
--   season [season]: season
--   tank_id [code]: tank
--   eggs_from [date]: first delivery, or fish that came from another tank; NULL where nothing is known of its eggs
--   filled_from [date]: first day on which there was water in it
--   until [date]: last day
WITH came_in AS (
    SELECT season_of(exited_on) AS season, tank_id, min(exited_on) AS came_in_on
    FROM exits
    WHERE fate = 'transferred_in'
    GROUP BY ALL
)

SELECT
    season,
    tank_id,
    coalesce(first_delivered_on, came_in_on) AS eggs_from,
    -- Of a tank that was set up, and of whose eggs nothing is known, any day of its season may be meant.
    least(coalesce(filled_on, first_delivered_on - 60, season_starts_on), first_delivered_on) AS filled_from,
    least(coalesce(closed_on, first_delivered_on + 240), season_ends_on) AS until
FROM tank_spans
LEFT JOIN came_in USING (season, tank_id)
WHERE coalesce(closed_on >= first_delivered_on, true)
