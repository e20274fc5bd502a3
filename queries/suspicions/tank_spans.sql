-- tank_spans
--
-- purpose: what the checks across rows know of a tank's season: when eggs came, when it was emptied, where it stood.
-- grain: one row per tank and season with a set-up or a delivery.
-- reads: setups, deliveries, batches, sites, count_errors, settings
-- key: season, tank_id
-- returns:
--   season [season]: season
--   tank_id [code]: tank
--   site_id [code]: site where it stood, when set up
--   weekend_access [true/false]: someone looks on weekends
--   set_point_c [°C]: target of the controller
--   filled_on [date]: date the tank was filled
--   closed_on [date]: date the tank was emptied
--   end_reason [text]: why the season ended
--   set_up_upload [number]: upload of the set-up
--   set_up_line [spreadsheet row]: row of the set-up
--   season_starts_on [date]: first day of the season
--   season_ends_on [date]: last day of the season
--   first_delivered_on [date]: first delivery
--   last_delivered_on [date]: last delivery
--   eggs [count]: live eggs delivered
--   eggs_sd [eggs]: counting error of the eggs, one standard deviation
--   species [text]: species of the largest delivery
--   stage_at_delivery [text]: stage of the largest delivery
--   units_at_delivery_c_days [°C·d]: thermal units of the largest delivery, as written
--   delivery_upload [number]: upload of the first delivery
--   delivery_line [spreadsheet row]: row of the first delivery
WITH season_start AS (SELECT season_start_month, season_start_day FROM settings),

with_batch AS (
    SELECT
        deliveries.*,
        batches.species,
        season_of(deliveries.delivered_on) AS season,
        coalesce(count_errors.relative_sd, 0.06) AS relative_sd
    FROM deliveries
    LEFT JOIN batches USING (batch_id)
    LEFT JOIN count_errors USING (count_method)
),

delivered AS (
    SELECT
        season,
        tank_id,
        min(delivered_on)::DATE AS first_delivered_on,
        max(delivered_on)::DATE AS last_delivered_on,
        sum(eggs_live)::BIGINT AS eggs,
        sqrt(sum((eggs_live * relative_sd) ** 2)) AS eggs_sd,
        arg_max(species, eggs_live) AS species,
        arg_max(stage_at_delivery, eggs_live) AS stage_at_delivery,
        arg_max(celsius_days(thermal_units_at_delivery, thermal_unit), eggs_live) AS units_at_delivery_c_days,
        arg_min(upload, (delivered_on, line)) AS delivery_upload,
        arg_min(line, (delivered_on, line)) AS delivery_line
    FROM with_batch
    GROUP BY season, tank_id
),

stood AS (
    SELECT setups.*, sites.weekend_access
    FROM setups
    LEFT JOIN sites USING (site_id)
),

final AS (
    SELECT
        coalesce(stood.season, delivered.season)::INTEGER AS season,
        coalesce(stood.tank_id, delivered.tank_id) AS tank_id,
        stood.site_id,
        stood.weekend_access,
        stood.set_point_c,
        stood.filled_on,
        stood.closed_on,
        stood.end_reason,
        stood.upload AS set_up_upload,
        stood.line AS set_up_line,
        make_date(coalesce(stood.season, delivered.season)::INTEGER, season_start_month, season_start_day)
            AS season_starts_on,
        make_date(coalesce(stood.season, delivered.season)::INTEGER + 1, season_start_month, season_start_day) - 1
            AS season_ends_on,
        delivered.* EXCLUDE (season, tank_id)
    FROM stood
    FULL JOIN delivered ON stood.season = delivered.season AND stood.tank_id = delivered.tank_id
    CROSS JOIN season_start
)

SELECT * FROM final ORDER BY season, tank_id
