-- more_out_than_in
--
-- purpose: tanks from which more eggs and fish were counted out, dead or alive, than live eggs came in, by more than
--     twice the counting error. A running total of dead explains it better and is left to its own rule.
-- grain: one row per tank and season.
-- reads: tank_balances, losses_cumulative
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
--   excess [count]: counted out beyond the eggs
--   allowed [count]: twice the counting error
WITH over AS (
    SELECT *, dead + left_alive - eggs AS excess, 2.0 * counting_sd AS allowed FROM tank_balances
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
        excess,
        allowed
    FROM over
    WHERE excess > allowed
        AND NOT EXISTS (
            SELECT 1
            FROM losses_cumulative
            WHERE losses_cumulative.tank_id = over.tank_id AND losses_cumulative.season = over.season
        )
)

SELECT * FROM final
