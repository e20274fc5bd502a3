-- incident_rates
--
-- purpose: incidents against the time in which somebody could have reported one.
-- grain: one row per season, region and kind of incident that occurred.
-- reads: staged_incidents, tank_seasons
-- key: season, region, kind
-- returns:
--   season [season]: season
--   region [code]: region
--   kind [text]: kind of incident
--   incidents [count]: how many
--   tanks [count]: tanks that had one
--   tanks_watched [count]: tanks of the region and season that got eggs and sent a record after that
--   tank_weeks [weeks]: from delivery to the last record, over these tanks
--   per_100_tank_weeks [per 100 weeks]: incidents in these tanks after delivery ÷ tank_weeks × 100
WITH incidents AS (SELECT season, tank_id, kind, started_at::DATE AS started_on FROM staged_incidents),

tanks AS (SELECT season, tank_id, region, delivered_on, last_record_on FROM tank_seasons),

watched AS (
    SELECT
        season,
        region,
        count(*) AS tanks_watched,
        sum(last_record_on - delivered_on) / 7.0 AS tank_weeks
    FROM tanks
    WHERE last_record_on > delivered_on
    GROUP BY season, region
),

happened AS (
    SELECT
        incidents.season,
        tanks.region,
        incidents.kind,
        count(*) AS incidents,
        count(DISTINCT incidents.tank_id) AS tanks,
        count(*) FILTER (WHERE started_on BETWEEN delivered_on AND last_record_on AND last_record_on > delivered_on)
            AS incidents_watched
    FROM incidents
    INNER JOIN tanks USING (season, tank_id)
    GROUP BY incidents.season, tanks.region, incidents.kind
),

final AS (
    SELECT
        happened.season,
        happened.region,
        happened.kind,
        happened.incidents,
        happened.tanks,
        coalesce(watched.tanks_watched, 0) AS tanks_watched,
        watched.tank_weeks,
        100.0 * happened.incidents_watched / nullif(watched.tank_weeks, 0) AS per_100_tank_weeks
    FROM happened
    LEFT JOIN watched ON happened.season = watched.season AND happened.region IS NOT DISTINCT FROM watched.region
)

SELECT * FROM final ORDER BY season, region, kind
