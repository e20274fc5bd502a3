-- near_codes
--
-- purpose: known codes for which unknown ones may be meant: alike in plain form; else with words that a full stop cuts
--   short, as many, or (High Sch. 1, High 1) one too many. An unknown code that may be meant for several is left out.
-- grain: one row per unknown code that may be meant for one known code.
-- reads: failed_checks
-- returns:
--   code [as written]: unknown code, in a cell of which a failed check says so
--   near [code]: the known code
WITH unknown AS (
    SELECT DISTINCT substr(entry, length($check::VARCHAR) + 1) AS code, label_words(code) AS words
    FROM (SELECT unnest(broken) AS entry FROM failed_checks)
    WHERE starts_with(entry, $check::VARCHAR)
),

known AS (
    SELECT near, label_words(near) AS words FROM (SELECT unnest($known::VARCHAR[]) AS near) WHERE near <> ''
),

alike AS (
    SELECT code, near, 1 AS step
    FROM unknown
    INNER JOIN known ON plain_label(code) = plain_label(near)
    UNION ALL
    SELECT code, near, 2
    FROM unknown
    INNER JOIN known ON word_initials(unknown.words) = word_initials(known.words)
    WHERE len(unknown.words) > 1 AND words_agree(unknown.words, known.words)
    UNION ALL
    SELECT code, near, 3
    FROM unknown
    INNER JOIN known ON word_initials(whole_words(unknown.words)) = word_initials(known.words)
    WHERE len(known.words) > 1 AND words_agree(whole_words(unknown.words), known.words)
)

SELECT code, any_value(near) AS near
FROM (SELECT * FROM alike QUALIFY step = min(step) OVER (PARTITION BY code))
GROUP BY code
HAVING count(*) = 1
