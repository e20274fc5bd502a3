-- losses_cumulative
--
-- purpose: tanks whose dead are a running total: the numbers never fall within a stage, though honest numbers in a
--     chance order would do so less than once in a thousand times; or once in twenty, where their sum also exceeds
--     what the eggs leave room for and the last numbers alone do not.
-- grain: one row per tank and season.
-- reads: losses, tank_spans, tank_balances, settings
-- returns:
--   tank_id [code]: tank the suspicion is about
--   table_name [text]: table of the row pointed at
--   column_name [text]: column of the cell pointed at
--   value [as written]: the cell
--   upload [number]: upload of the row pointed at
--   line [spreadsheet row]: row pointed at, the first of its group
--   season [season]: season
--   checks [count]: numbers of dead in the series
--   rises [count]: how often a number is larger than the one before
--   first_dead [count]: first number
--   last_dead [count]: largest number at the end of a stage
--   total [count]: sum of the numbers as written
--   eggs [count]: live eggs delivered
--   orders [count]: number of orders in which these numbers could stand, one of them never falling
--   exceeds_eggs [true/false]: the sum and the fish that left exceed the eggs by more than twice the counting error
WITH counted AS (
    SELECT
        season_of(checked_on) AS season,
        tank_id,
        stage,
        checked_on,
        dead,
        upload,
        line,
        dead - lag(dead) OVER (PARTITION BY season_of(checked_on), tank_id, stage ORDER BY checked_on) AS step
    FROM losses
    WHERE dead IS NOT NULL
),

repeats AS (
    SELECT season, tank_id, stage, dead, lgamma(count(*) + 1) AS ln_repeats FROM counted GROUP BY ALL
),

repeats_of_stage AS (
    SELECT season, tank_id, stage, sum(ln_repeats) AS ln_repeats FROM repeats GROUP BY ALL
),

series AS (
    SELECT
        season,
        tank_id,
        stage,
        count(*) AS checks,
        count_if(step > 0) AS rises,
        count_if(step < 0) AS falls,
        sum(dead)::BIGINT AS total,
        max(dead) AS last_dead,
        arg_min(dead, checked_on) AS first_dead,
        min(checked_on) AS starts_on,
        arg_min(upload, checked_on) AS upload,
        arg_min(line, checked_on) AS line
    FROM counted
    GROUP BY ALL
),

-- Ways to order n numbers: n! over the factorials of how often each repeats. A running total uses the one that never
-- falls. Numbers of several stages are independent, so their orders multiply.
whole AS (
    SELECT
        season,
        tank_id,
        sum(checks) AS checks,
        sum(rises) AS rises,
        sum(total) AS total,
        sum(last_dead) AS last_dead,
        arg_min(first_dead, starts_on) AS first_dead,
        arg_min(upload, starts_on) AS upload,
        arg_min(line, starts_on) AS line,
        sum(lgamma(checks + 1) - ln_repeats) AS ln_orders
    FROM series
    INNER JOIN repeats_of_stage USING (season, tank_id, stage)
    GROUP BY season, tank_id
    HAVING sum(falls) = 0 AND sum(rises) >= 3
),

weighed AS (
    SELECT
        whole.*,
        tank_balances.eggs,
        coalesce(
            whole.total + tank_balances.left_alive > tank_balances.eggs + 2.0 * tank_balances.counting_sd, false
        ) AS exceeds_eggs
    FROM whole
    LEFT JOIN tank_balances USING (season, tank_id)
),

final AS (
    SELECT
        tank_id,
        'losses' AS table_name,
        'dead' AS column_name,
        first_dead::VARCHAR AS value,
        upload,
        line,
        season,
        checks,
        rises,
        first_dead,
        last_dead,
        total,
        eggs,
        exp(least(ln_orders, 40.0))::BIGINT AS orders,
        exceeds_eggs
    FROM weighed
    WHERE ln_orders >= ln(1000) OR (exceeds_eggs AND ln_orders >= ln(20))
)

SELECT * FROM final
