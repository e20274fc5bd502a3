-- losses_cumulative
--
-- purpose: tanks whose dead are a running total: the numbers never fall over the season, or within each stage, though
--     honest numbers in a chance order would do so less than once in a thousand times; or once in twenty, where their
--     sum with the fish that left also exceeds the eggs. Dates with day and month swapped are left aside.
-- grain: one row per tank and season.
-- reads: losses, tank_balances, swapped_dates, settings
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
--   last_dead [count]: last and largest number
--   total [count]: sum of the numbers as written
--   eggs [count]: live eggs delivered
--   orders [count]: number of orders in which these numbers could stand, one of them never falling
--   exceeds_eggs [true/false]: the sum and the fish that left exceed the eggs by more than twice the counting error
WITH swapped AS (
    SELECT DISTINCT tank_id, upload, written_on AS checked_on FROM swapped_dates WHERE table_name = 'losses'
),

counted AS (
    SELECT season_of(checked_on) AS season, tank_id, stage, checked_on, dead, upload, line
    FROM losses
    ANTI JOIN swapped USING (tank_id, upload, checked_on)
    WHERE dead IS NOT NULL
),

-- Once as a series over the season, once as a series in each stage that starts anew.
both_ways AS (
    SELECT *, 'season' AS part FROM counted
    UNION ALL
    SELECT *, stage AS part FROM counted
),

stepped AS (
    SELECT
        *,
        dead - lag(dead) OVER (
            PARTITION BY season, tank_id, part
            ORDER BY checked_on, CASE stage WHEN 'egg' THEN 1 WHEN 'alevin' THEN 2 ELSE 3 END
        ) AS step
    FROM both_ways
),

repeats AS (
    SELECT season, tank_id, part, dead, lgamma(count(*) + 1) AS ln_repeats FROM stepped GROUP BY ALL
),

repeats_of_part AS (
    SELECT season, tank_id, part, sum(ln_repeats) AS ln_repeats FROM repeats GROUP BY ALL
),

-- Ways to order n numbers: n! over the factorials of how often each repeats. A running total uses the one that never
-- falls.
series AS (
    SELECT
        season,
        tank_id,
        part,
        count(*) AS checks,
        count_if(step > 0) AS rises,
        count_if(step < 0) AS falls,
        sum(dead)::BIGINT AS total,
        max(dead) AS last_dead,
        arg_min(dead, (checked_on, line)) AS first_dead,
        min(checked_on) AS starts_on,
        arg_min(upload, (checked_on, line)) AS upload,
        arg_min(line, (checked_on, line)) AS line,
        lgamma(count(*) + 1) - any_value(ln_repeats) AS ln_orders
    FROM stepped
    INNER JOIN repeats_of_part USING (season, tank_id, part)
    GROUP BY season, tank_id, part
),

-- The stages are independent series, so their orders multiply.
whole AS (
    SELECT
        season,
        tank_id,
        sum(checks)::BIGINT AS checks,
        sum(rises)::BIGINT AS rises,
        sum(total)::BIGINT AS total,
        max(last_dead) AS last_dead,
        arg_min(first_dead, starts_on) AS first_dead,
        arg_min(upload, (starts_on, line)) AS upload,
        arg_min(line, (starts_on, line)) AS line,
        sum(ln_orders) AS ln_orders
    FROM series
    GROUP BY season, tank_id, part = 'season'
    HAVING sum(falls) = 0 AND sum(rises) >= 3
),

likeliest AS (
    SELECT *
    FROM whole
    QUALIFY row_number() OVER (PARTITION BY season, tank_id ORDER BY ln_orders DESC, checks) = 1
),

weighed AS (
    SELECT
        likeliest.*,
        tank_balances.eggs,
        coalesce(
            likeliest.total + tank_balances.left_alive > tank_balances.eggs + 2.0 * tank_balances.counting_sd, false
        ) AS exceeds_eggs
    FROM likeliest
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
        -- beyond a million the number says nothing more
        least(exp(least(ln_orders, 20.0)), 1000000)::BIGINT AS orders,
        exceeds_eggs
    FROM weighed
    WHERE ln_orders >= ln(1000) OR (exceeds_eggs AND ln_orders >= ln(20))
)

SELECT * FROM final
