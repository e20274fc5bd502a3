-- large_unaccounted
--
-- purpose: tanks that reported to their end and still lack more than 15 in 100 of their eggs beyond twice the
--     counting error: neither counted dead nor counted out.
-- grain: one row per tank and season.
-- reads: tank_balances
-- returns:
--   tank_id [code]: tank the suspicion is about
--   table_name [text]: table of the row pointed at
--   column_name [text]: column of the cell pointed at
--   value [as written]: the cell
--   upload [number]: upload of the row pointed at
--   line [spreadsheet row]: row pointed at, the first of its group
--   season [season]: season
--   eggs [count]: live eggs delivered
--   dead [count]: dead counted
--   left_alive [count]: fish that left, net of fish that came in
--   missing [count]: eggs neither counted dead nor counted out
--   missing_pct [%]: the same as a share of the eggs
--   allowed [count]: twice the counting error
WITH gaps AS (
    SELECT *, eggs - dead - left_alive AS missing, 2.0 * counting_sd AS allowed FROM tank_balances
),

final AS (
    SELECT
        tank_id,
        'deliveries' AS table_name,
        'eggs_live' AS column_name,
        eggs::VARCHAR AS value,
        delivery_upload AS upload,
        delivery_line AS line,
        season,
        eggs,
        dead,
        left_alive,
        missing,
        100.0 * missing / eggs AS missing_pct,
        allowed
    FROM gaps
    WHERE eggs > 0
        AND (released > 0 OR (end_reason = 'lost_all' AND loss_rows > 0))
        AND missing > 0.15 * eggs + allowed
)

SELECT * FROM final
