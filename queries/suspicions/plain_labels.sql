-- plain_labels
--
-- purpose: labels of tanks, regions, sites, batches and stocks in the forms in which they are compared. In one place,
--     because the database takes longer to make these expressions ready than to work them out for a programme.
-- grain: one row per label.
-- reads: tanks, sites, batches
-- key: label
-- returns:
--   label [code]: as written
--   plain [text]: without case, blanks, punctuation and leading zeros
--   words [list of texts]: its words in small letters, each with the full stop that cuts it short
WITH labels AS (
    SELECT tank_id AS label FROM tanks
    UNION
    SELECT site_id FROM sites
    UNION
    SELECT region FROM sites
    UNION
    SELECT batch_id FROM batches
    UNION
    SELECT donor_stock FROM batches
)

SELECT
    label,
    plain_label(label) AS plain,
    label_words(label) AS words
FROM labels
WHERE label IS NOT NULL
