-- awaited_seasons
--
-- purpose: seasons of tanks of which a set-up or a delivery was kept out and is still to be mended: what lies in them
--     cannot be held against a window yet.
-- grain: one row per tank and season with such rows.
-- reads: waiting, tanks, settings
-- returns:
--   tank_id [code]: tank; NULL where the rows do not say it, or name one that nobody has listed: it may mean any tank
--   season [season]: season; NULL where the rows do not say it
--   rows [count]: rejected rows of setups or deliveries that wait to be mended
--   first_place [text]: the first of them, by file and line
WITH said AS (
    SELECT
        CASE table_name WHEN 'setups' THEN key[2] ELSE key[1] END AS label,
        CASE
            WHEN table_name = 'setups' THEN TRY_CAST(key[1] AS INTEGER)
            ELSE season_of(TRY_CAST(key[3] AS DATE))
        END AS season,
        concat(path, ', line ', line) AS place,
        upload,
        line
    FROM waiting
    WHERE table_name IN ('setups', 'deliveries')
)

SELECT tanks.tank_id, said.season, count(*) AS rows, arg_min(place, (said.upload, said.line)) AS first_place
FROM said
LEFT JOIN tanks ON said.label = tanks.tank_id
GROUP BY tanks.tank_id, said.season
