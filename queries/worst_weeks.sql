-- worst_weeks
--
-- purpose: of each tank the seven days in which most were found dead, as far as they can have died within days: what
--     a look found counts where somebody had looked, or brought the eggs, within the week before it.
-- grain: one row per season and tank where such a look found any dead; of several such weeks the first.
-- reads: staged_losses, tank_eggs
-- key: season, tank_id
-- returns:
--   season [season]: season
--   tank_id [code]: tank
--   week_dead [count]: dead found in these days
--   week_from [date]: first of these days on which dead were found
--   week_to [date]: last such day
--   most_dead [count]: dead found on the one of these days on which most were
--   most_on [date]: that day, the first of several
WITH looks AS (
    SELECT
        losses.season,
        losses.tank_id,
        checked_on AS day,
        sum(dead)::BIGINT AS dead,
        coalesce(lag(checked_on) OVER of_tank, any_value(first_delivered_on)) AS alive_on
    FROM staged_losses AS losses
    LEFT JOIN tank_eggs USING (season, tank_id)
    WHERE dead IS NOT NULL
    GROUP BY losses.season, losses.tank_id, checked_on
    WINDOW of_tank AS (PARTITION BY losses.season, losses.tank_id ORDER BY checked_on)
),

weeks AS (
    SELECT
        season,
        tank_id,
        sum(dead) OVER a_week AS week_dead,
        min(day) OVER a_week AS week_from,
        day AS week_to,
        max(dead) OVER a_week AS most_dead,
        arg_max(day, (dead, -epoch(day))) OVER a_week AS most_on
    FROM looks
    WHERE dead > 0 AND day - alive_on <= 7
    WINDOW a_week AS (
        PARTITION BY season, tank_id ORDER BY day RANGE BETWEEN INTERVAL 6 DAYS PRECEDING AND CURRENT ROW
    )
),

final AS (
    SELECT * REPLACE (week_dead::BIGINT AS week_dead)
    FROM weeks
    QUALIFY row_number() OVER (PARTITION BY season, tank_id ORDER BY week_dead DESC, week_to) = 1
)

SELECT * FROM final ORDER BY season, tank_id
