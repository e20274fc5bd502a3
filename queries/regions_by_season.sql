-- regions_by_season
--
-- purpose: what came to each region in each season, hatched and was released, as recorded; sums, no comparison.
-- grain: one row per season and region with a set-up; a site counts with all its seasons in its present region.
-- reads: tank_seasons, record_coverage
-- key: season, region
-- returns:
--   season [season]: season
--   region [code]: region; "not recorded" where the site is not on record
--   tanks_supplied [count]: set-ups
--   delivered [count]: of these, got live eggs; all that follows but the last column is of them
--   sites [count]: sites of these tanks
--   counted [count]: tanks with any count of dead or leaving fish, or known to have lost all
--   read [count]: tanks with any reading of temperature
--   eggs [count]: live eggs delivered
--   usable_hatch [count]: tanks usable for hatch
--   hatched [count]: eggs less dead eggs, of these tanks; NULL where there are none
--   release_counted [count]: tanks with a release count on record, 0 for one that lost all
--   released [count]: fish released, from these tanks; NULL where there are none
--   release_unknown [count]: tanks whose release count is not on record: delivered − release_counted
--   usable [count]: tanks with counts, usable for delivered-to-release
--   eggs_in_usable [count]: live eggs delivered to these
--   left_alive [count]: left alive from these, capped at the eggs of each; NULL where there are none
--   reported_pct [%]: left_alive ÷ eggs_in_usable
--   released_without_delivery [count]: fish released from tanks without a delivery on record; NULL when none were
WITH tanks AS (
    SELECT
        tank_seasons.*,
        coalesce(region, 'not recorded') AS region_or_none,
        CASE WHEN usable_release THEN greatest(least(left_alive, eggs), 0) END AS alive_of_eggs,
        usable_release OR coverage.checks_counted + coverage.exits > 0 AS has_count,
        coverage.readings > 0 AS has_reading
    FROM tank_seasons
    INNER JOIN record_coverage AS coverage USING (season, tank_id)
),

final AS (
    SELECT
        season,
        region_or_none AS region,
        count(*) AS tanks_supplied,
        count(*) FILTER (WHERE delivered) AS delivered,
        count(DISTINCT site_id) FILTER (WHERE delivered) AS sites,
        count(*) FILTER (WHERE delivered AND has_count) AS counted,
        count(*) FILTER (WHERE delivered AND has_reading) AS read,
        coalesce(sum(tanks.eggs), 0)::BIGINT AS eggs,
        count(*) FILTER (WHERE usable_hatch) AS usable_hatch,
        sum(tanks.hatched)::BIGINT AS hatched,
        count(tanks.released) FILTER (WHERE delivered) AS release_counted,
        (sum(tanks.released) FILTER (WHERE delivered))::BIGINT AS released,
        count(*) FILTER (WHERE delivered AND tanks.released IS NULL) AS release_unknown,
        count(*) FILTER (WHERE usable_release) AS usable,
        coalesce(sum(tanks.eggs) FILTER (WHERE usable_release), 0)::BIGINT AS eggs_in_usable,
        sum(alive_of_eggs)::BIGINT AS left_alive,
        pct(sum(alive_of_eggs), sum(tanks.eggs) FILTER (WHERE usable_release)) AS reported_pct,
        (sum(tanks.released) FILTER (WHERE NOT delivered AND tanks.released > 0))::BIGINT
            AS released_without_delivery
    FROM tanks
    GROUP BY season, region_or_none
)

SELECT * FROM final ORDER BY season, region
