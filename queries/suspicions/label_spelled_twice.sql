-- label_spelled_twice
--
-- purpose: regions, sites and batches whose labels differ only in case, blanks, punctuation or leading zeros, or of
--     which one has words cut short with a full stop (Bray Sch., Bray School). Sites whose regions differ, and batches
--     whose species, brood year or stock differ, are two things.
-- grain: one row per label that has fewer rows (or, where as many, came later) or is cut short, with the label it is
--     written like.
-- reads: sites, batches, plain_labels
-- returns:
--   tank_id [code]: the label in doubt, by which it is acknowledged
--   table_name [text]: table of the row pointed at
--   column_name [text]: column of the cell pointed at
--   value [as written]: the cell
--   upload [number]: upload of the row pointed at
--   line [spreadsheet row]: row pointed at, the first with this label
--   kind [text]: region, site or batch
--   other_label [code]: the label with more rows, or that came first
--   sites [count]: sites in the region of this label; 1 for a site or a batch
--   other_sites [count]: sites in the region of the other
--   evidence [text]: spelling or shortening
WITH labels AS (
    SELECT 'region' AS kind, 'sites' AS table_name, 'region' AS column_name, region AS label, NULL AS species,
        NULL AS brood_year, NULL AS other, upload, line
    FROM sites
    WHERE region IS NOT NULL
    UNION ALL
    SELECT 'site', 'sites', 'site_id', site_id, NULL, NULL, region, upload, line FROM sites
    UNION ALL
    SELECT 'batch', 'batches', 'batch_id', batch_id, species, brood_year, donor_stock, upload, line FROM batches
),

spelled AS (
    SELECT
        labels.kind,
        labels.table_name,
        labels.column_name,
        labels.label,
        own.plain,
        own.words,
        min(concat_ws('/', labels.species, labels.brood_year, others.plain)) AS about,
        count(*) AS sites,
        min(row(labels.upload, labels.line)) AS first_row
    FROM labels
    INNER JOIN plain_labels AS own USING (label)
    LEFT JOIN plain_labels AS others ON others.label = labels.other
    GROUP BY ALL
),

cut_short AS (
    SELECT *, unnest([words, whole_words(words)]) AS form
    FROM spelled
    WHERE contains(label, '.')
),

pairs AS (
    SELECT mine.*, other.label AS other_label, other.sites AS other_sites, other.first_row AS other_row,
        'spelling' AS evidence
    FROM spelled AS mine
    INNER JOIN spelled AS other
        ON mine.kind = other.kind
        AND mine.plain = other.plain
        AND mine.about = other.about
        AND (-mine.sites, mine.first_row, mine.label) > (-other.sites, other.first_row, other.label)
    UNION ALL
    SELECT mine.* EXCLUDE (form), other.label, other.sites, other.first_row, 'shortening'
    FROM cut_short AS mine
    INNER JOIN spelled AS other
        ON mine.kind = other.kind
        AND mine.about = other.about
        AND word_initials(mine.form) = word_initials(other.words)
    WHERE len(mine.form) > 1
        AND words_agree(mine.form, other.words)
        AND (len(mine.form) < len(mine.words) OR strlen(mine.plain) < strlen(other.plain))
),

one_each AS (
    SELECT * FROM pairs
    QUALIFY row_number() OVER (
        PARTITION BY kind, label ORDER BY evidence DESC, other_sites DESC, other_row, other_label
    ) = 1
)

SELECT
    label AS tank_id,
    table_name,
    column_name,
    label AS value,
    first_row[1] AS upload,
    first_row[2] AS line,
    kind,
    other_label,
    sites,
    other_sites,
    evidence
FROM one_each
