-- site_region_changed
--
-- purpose: sites that stand under another region than an earlier file said. A site has one region for all its seasons,
--     so those before a change are counted where it stands now.
-- grain: one row per site.
-- reads: sites, sites_sent, uploads, settings
-- returns:
--   tank_id [code]: site the suspicion is about
--   table_name [text]: table of the row pointed at
--   column_name [text]: column of the cell pointed at
--   value [as written]: the cell
--   upload [number]: upload of the row pointed at
--   line [spreadsheet row]: row pointed at
--   region [text]: region that stands
--   stands_place [text]: file and line of the row that says so
--   from_region [text]: region in the row before it that says another, the last of several
--   from_place [text]: file and line of that row
SELECT
    sites.site_id AS tank_id,
    'sites' AS table_name,
    'region' AS column_name,
    sites.region AS value,
    sites.upload,
    sites.line,
    sites.region,
    concat(uploads.path, ', line ', sites.line) AS stands_place,
    sent.region AS from_region,
    concat(sent.path, ', line ', sent.line) AS from_place
FROM sites
INNER JOIN uploads USING (upload)
INNER JOIN sites_sent AS sent
    ON sites.site_id = sent.site_id
    AND sites.region <> sent.region
QUALIFY row_number() OVER (PARTITION BY sites.site_id ORDER BY sent.upload DESC, sent.line DESC) = 1
