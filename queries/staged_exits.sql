-- staged_exits
--
-- purpose: groups of fish that left a tank, with their season and whether they left it alive.
-- grain: one row per group, in a season with a set-up.
-- reads: exits, staged_setups, settings
-- key: season, tank_id, exited_on, fate
-- returns:
--   season [season]: season of the exit
--   tank_id [code]: tank
--   exited_on [date]: date
--   fate [text]: released, transferred_out, transferred_in, euthanised, retained, escaped
--   fish [count]: how many
--   is_surplus [true/false]: euthanised because they were too many, which the reason says
--   count_method [text]: how they were counted
WITH exits_as_read AS (SELECT * FROM exits),

setups AS (SELECT season, tank_id FROM staged_setups),

dated AS (
    SELECT *, season_of(exited_on) AS season FROM exits_as_read
),

final AS (
    SELECT
        season,
        tank_id,
        exited_on,
        fate::VARCHAR AS fate,
        count AS fish,
        fate = 'euthanised' AND coalesce(contains(lower(reason), 'surplus'), false) AS is_surplus,
        count_method::VARCHAR AS count_method
    FROM dated
    INNER JOIN setups USING (season, tank_id)
)

SELECT * FROM final ORDER BY season, tank_id, exited_on, fate
