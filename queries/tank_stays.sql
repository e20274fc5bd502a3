-- tank_stays
--
-- purpose: from when to when each tank held eggs or fish of its season.
-- grain: one row per set-up with a delivery.
-- reads: staged_setups, staged_exits, tank_eggs
-- key: season, tank_id
-- returns:
--   season [season]: season
--   tank_id [code]: tank
--   starts_on [date]: first delivery
--   ends_on [date]: day it was emptied, or fish were released, or the day after its season: the first that is known
--   eggs [count]: live eggs delivered
WITH setups AS (SELECT * FROM staged_setups),

eggs AS (SELECT * FROM tank_eggs),

released AS (
    SELECT season, tank_id, min(exited_on) AS released_on
    FROM staged_exits
    WHERE fate = 'released'
    GROUP BY season, tank_id
),

final AS (
    SELECT
        setups.season,
        setups.tank_id,
        eggs.first_delivered_on AS starts_on,
        least(setups.closed_on, released.released_on, setups.season_ends_on + 1) AS ends_on,
        eggs.eggs
    FROM setups
    INNER JOIN eggs USING (season, tank_id)
    LEFT JOIN released USING (season, tank_id)
)

SELECT * FROM final ORDER BY season, tank_id
