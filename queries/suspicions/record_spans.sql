-- record_spans
--
-- purpose: the days on which a record of a tank makes sense: from the delivery, or the filling, to its close; without
--     a close, the longest season there is.
-- grain: one row per tank and season with a set-up or a delivery, unless it closed before its eggs came.
-- reads: tank_spans
-- returns:
--   season [season]: season
--   tank_id [code]: tank
--   eggs_from [date]: first delivery; NULL where nothing is known of its eggs
--   filled_from [date]: first day on which there was water in it
--   until [date]: last day
SELECT
    season,
    tank_id,
    first_delivered_on AS eggs_from,
    -- Of a tank that was set up, and of whose eggs nothing is known, any day of its season may be meant.
    least(coalesce(filled_on, first_delivered_on - 60, season_starts_on), first_delivered_on) AS filled_from,
    least(coalesce(closed_on, first_delivered_on + 240), season_ends_on) AS until
FROM tank_spans
WHERE coalesce(closed_on >= first_delivered_on, true)
