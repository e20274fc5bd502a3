-- staged_sites
--
-- purpose: sites as they now read, with the first season this programme's records show for each.
-- grain: one row per site.
-- reads: sites, setups
-- key: site_id
-- returns:
--   site_id [code]: site
--   region [code]: region
--   site_kind [text]: school, library, community_centre, hatchery, other
--   water_source [text]: where its water comes from
--   weekend_access [true/false]: someone looks at the tank on weekends
--   first_season [season]: first season this site hosted a tank, as stated
--   first_recorded_season [season]: first season with a set-up in the records
WITH sites_as_read AS (SELECT * FROM sites),

setups_as_read AS (SELECT * FROM setups),

first_recorded AS (
    SELECT site_id, min(season) AS first_recorded_season FROM setups_as_read GROUP BY site_id
),

final AS (
    SELECT
        sites_as_read.site_id,
        sites_as_read.region,
        sites_as_read.site_kind::VARCHAR AS site_kind,
        sites_as_read.water_source::VARCHAR AS water_source,
        sites_as_read.weekend_access,
        sites_as_read.first_season,
        first_recorded.first_recorded_season
    FROM sites_as_read
    LEFT JOIN first_recorded USING (site_id)
)

SELECT * FROM final ORDER BY site_id
