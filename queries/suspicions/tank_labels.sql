-- tank_labels
--
-- purpose: every label of a tank in plain form (no case, spaces, punctuation or leading zeros; tank and room
--     shortened), with where and when it was set up.
-- grain: one row per label of the list of tanks.
-- reads: tanks, setups, plain_labels
-- key: tank_id
-- returns:
--   tank_id [code]: label as written
--   plain [text]: label in plain form
--   digits [text]: its digits alone
--   words [list of texts]: its words in small letters, each with the full stop that cuts it short
--   volume_l [litres]: volume
--   chiller_year [year]: year of the chiller
--   filter_kind [text]: filter
--   seasons [list of seasons]: seasons with a set-up
--   sites [list of codes]: sites it stood at
--   last_site_id [code]: site of its last season
--   first_site_id [code]: site of its first season
--   first_season [season]: first of these seasons
--   last_season [season]: last of these seasons
--   upload [number]: upload of its row in the list of tanks
--   line [spreadsheet row]: its row
WITH used AS (
    SELECT
        tank_id,
        list_sort(list(DISTINCT season)) AS seasons,
        list_sort(list(DISTINCT site_id)) AS sites,
        min(season) AS first_season,
        max(season) AS last_season,
        arg_min(site_id, season) AS first_site_id,
        arg_max(site_id, season) AS last_site_id
    FROM setups
    GROUP BY tank_id
),

final AS (
    SELECT
        tanks.tank_id,
        replace(replace(plain_labels.plain, 'tank', 'tk'), 'room', 'rm') AS plain,
        regexp_replace(plain_labels.plain, '[^0-9]', '', 'g') AS digits,
        plain_labels.words,
        tanks.volume_l,
        tanks.chiller_year,
        tanks.filter_kind,
        used.seasons,
        used.sites,
        used.last_site_id,
        used.first_site_id,
        used.first_season,
        used.last_season,
        tanks.upload,
        tanks.line
    FROM tanks
    INNER JOIN plain_labels ON plain_labels.label = tanks.tank_id
    LEFT JOIN used USING (tank_id)
)

SELECT * FROM final
