-- same_tank_two_labels
--
-- purpose: labels that seem to name one tank: alike in plain form; one with words cut short with a full stop (Bray
--     Sch. 1, Bray School 1); or at one site, one ending where the other begins, with the same volume, chiller and
--     filter and nearly the same label. Labels set up in the same season at different sites, or both with eggs of
--     their own, are two tanks.
-- grain: one row per label that came later or is cut short, with the label it resembles most.
-- reads: tank_labels, deliveries, setups, settings
-- returns:
--   tank_id [code]: tank the suspicion is about
--   table_name [text]: table of the row pointed at
--   column_name [text]: column of the cell pointed at
--   value [as written]: the cell
--   upload [number]: upload of the row pointed at
--   line [spreadsheet row]: row pointed at, the first of its group
--   other_tank_id [code]: the label that was there before
--   seasons [text]: seasons of this label
--   other_seasons [text]: seasons of the other
--   sites [text]: sites of this label
--   other_sites [text]: sites of the other
--   evidence [text]: shortening, spelling or succession
WITH cut_short AS (
    SELECT *, unnest([words, whole_words(words)]) AS form
    FROM tank_labels
    WHERE contains(tank_id, '.')
),

pairs AS (
    SELECT later.*, earlier.tank_id AS other_tank_id, earlier.seasons AS other_seasons,
        earlier.sites AS other_sites, 'spelling' AS evidence
    FROM tank_labels AS later
    INNER JOIN tank_labels AS earlier
        ON later.plain = earlier.plain
        AND later.tank_id <> earlier.tank_id
        AND (coalesce(later.first_season, 9999), later.upload, later.line)
        > (coalesce(earlier.first_season, 9999), earlier.upload, earlier.line)
    WHERE coalesce(later.volume_l = earlier.volume_l, true)
        AND coalesce(later.chiller_year = earlier.chiller_year, true)
    UNION ALL
    SELECT mine.* EXCLUDE (form), other.tank_id, other.seasons, other.sites, 'shortening'
    FROM cut_short AS mine
    INNER JOIN tank_labels AS other
        ON word_initials(mine.form) = word_initials(other.words)
    WHERE len(mine.form) > 1
        AND words_agree(mine.form, other.words)
        AND (len(mine.form) < len(mine.words) OR strlen(mine.plain) < strlen(other.plain))
        AND coalesce(mine.volume_l = other.volume_l, true)
        AND coalesce(mine.chiller_year = other.chiller_year, true)
    UNION ALL
    SELECT later.*, earlier.tank_id, earlier.seasons, earlier.sites, 'succession'
    FROM tank_labels AS later
    INNER JOIN tank_labels AS earlier
        ON later.first_site_id = earlier.last_site_id
        AND later.first_season > earlier.last_season
        AND later.volume_l = earlier.volume_l
        AND later.chiller_year = earlier.chiller_year
        AND later.filter_kind = earlier.filter_kind
    WHERE later.plain <> earlier.plain
        AND (levenshtein(later.plain, earlier.plain) <= 1 OR (later.digits <> '' AND later.digits = earlier.digits))
),

delivered AS (
    SELECT DISTINCT tank_id, season_of(delivered_on) AS season FROM deliveries
),

stood AS (
    SELECT setups.tank_id, setups.season, setups.site_id, delivered.tank_id IS NOT NULL AS had_eggs
    FROM setups
    LEFT JOIN delivered USING (tank_id, season)
),

told_apart AS (
    SELECT DISTINCT mine.tank_id, other.tank_id AS other_tank_id
    FROM stood AS mine
    INNER JOIN stood AS other ON mine.season = other.season AND mine.tank_id <> other.tank_id
    INNER JOIN pairs ON pairs.tank_id = mine.tank_id AND pairs.other_tank_id = other.tank_id
    WHERE mine.site_id <> other.site_id OR (mine.had_eggs AND other.had_eggs)
),

one_each AS (
    SELECT pairs.*
    FROM pairs
    ANTI JOIN told_apart USING (tank_id, other_tank_id)
    QUALIFY row_number() OVER (PARTITION BY pairs.tank_id ORDER BY evidence, len(other_seasons) DESC, other_tank_id) = 1
)

SELECT
    tank_id,
    'tanks' AS table_name,
    'tank_id' AS column_name,
    tank_id AS value,
    upload,
    line,
    other_tank_id,
    array_to_string(seasons, ', ') AS seasons,
    array_to_string(other_seasons, ', ') AS other_seasons,
    array_to_string(sites, ', ') AS sites,
    array_to_string(other_sites, ', ') AS other_sites,
    evidence
FROM one_each
