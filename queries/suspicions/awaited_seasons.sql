-- awaited_seasons
--
-- purpose: seasons of tanks of which a set-up or a delivery was kept out and is still to be mended: what lies in them
--     cannot be held against a window yet.
-- grain: one row per rejected row of setups or deliveries that waits to be mended.
-- reads: waiting, settings
-- returns:
--   tank_id [code]: tank; NULL where the row does not say it, or not its season
--   season [season]: season; NULL in the same cases
WITH said AS (
    SELECT
        CASE table_name WHEN 'setups' THEN key[2] ELSE key[1] END AS tank_id,
        CASE
            WHEN table_name = 'setups' THEN TRY_CAST(key[1] AS INTEGER)
            ELSE season_of(TRY_CAST(key[3] AS DATE))
        END AS season
    FROM waiting
    WHERE table_name IN ('setups', 'deliveries')
)

SELECT CASE WHEN season IS NOT NULL THEN tank_id END AS tank_id, season FROM said
