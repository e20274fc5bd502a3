-- missing_regions
--
-- purpose: regions that sent nothing of a kind for a season, from no site: a whole file may have been left out.
-- grain: one row per season and region with eggs that lacks counts, readings of temperature, or both.
-- reads: regions_by_season
-- key: season, region
-- returns:
--   season [season]: season
--   region [code]: region; "not recorded" where the site is not on record
--   missing [text]: counts (of dead or leaving fish), temperatures, counts_and_temperatures
--   sites [count]: sites with eggs
--   tanks [count]: tanks with eggs
--   is_everywhere [true/false]: every region with eggs that season lacks the same
WITH sent AS (
    SELECT
        *,
        CASE
            WHEN counted > 0 AND read > 0 THEN 'nothing'
            WHEN counted > 0 THEN 'temperatures'
            WHEN read > 0 THEN 'counts'
            ELSE 'counts_and_temperatures'
        END AS missing
    FROM regions_by_season
    WHERE delivered > 0
),

final AS (
    SELECT
        season,
        region,
        missing,
        sites,
        delivered AS tanks,
        min(missing) OVER same_season = max(missing) OVER same_season AS is_everywhere
    FROM sent
    WINDOW same_season AS (PARTITION BY season)
    QUALIFY missing <> 'nothing'
)

SELECT * FROM final ORDER BY season, region
