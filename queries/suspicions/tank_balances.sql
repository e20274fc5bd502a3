-- tank_balances
--
-- purpose: eggs delivered against everything that was counted out, with the counting error of both sides. Dates with
--     day and month swapped count where they would be once mended.
-- grain: one row per tank and season with a delivery.
-- reads: tank_spans, losses, exits, count_errors, swapped_dates, settings
-- key: season, tank_id
-- returns:
--   season [season]: season
--   tank_id [code]: tank
--   eggs [count]: live eggs delivered
--   dead [count]: dead counted, all stages
--   loss_rows [count]: checks with a number of dead
--   left_alive [count]: released, transferred out, retained, euthanised, escaped, less transferred in
--   exit_rows [count]: rows of fish that left
--   released [count]: of these, released
--   counting_sd [fish]: one standard deviation of the counting error of eggs and exits together
--   closed_on [date]: date the tank was emptied
--   end_reason [text]: why the season ended
--   delivery_upload [number]: upload of the first delivery
--   delivery_line [spreadsheet row]: row of the first delivery
WITH mended AS (
    SELECT DISTINCT table_name, tank_id, upload, written_on, swapped_on FROM swapped_dates
),

dead AS (
    SELECT
        season_of(coalesce(mended.swapped_on, losses.checked_on)) AS season,
        losses.tank_id,
        sum(losses.dead)::BIGINT AS dead,
        count(losses.dead) AS loss_rows
    FROM losses
    LEFT JOIN mended
        ON mended.table_name = 'losses'
        AND mended.tank_id = losses.tank_id
        AND mended.upload = losses.upload
        AND mended.written_on = losses.checked_on
    GROUP BY ALL
),

counted_out AS (
    SELECT
        season_of(coalesce(mended.swapped_on, exits.exited_on)) AS season,
        exits.tank_id,
        sum(CASE WHEN fate = 'transferred_in' THEN -"count" ELSE "count" END)::BIGINT AS left_alive,
        coalesce(sum("count") FILTER (WHERE fate = 'released'), 0)::BIGINT AS released,
        count(*) AS exit_rows,
        sum(("count" * coalesce(relative_sd, 0.06)) ** 2) AS variance
    FROM exits
    LEFT JOIN count_errors USING (count_method)
    LEFT JOIN mended
        ON mended.table_name = 'exits'
        AND mended.tank_id = exits.tank_id
        AND mended.upload = exits.upload
        AND mended.written_on = exits.exited_on
    GROUP BY ALL
),

final AS (
    SELECT
        tank_spans.season,
        tank_spans.tank_id,
        tank_spans.eggs,
        coalesce(dead.dead, 0) AS dead,
        coalesce(dead.loss_rows, 0) AS loss_rows,
        coalesce(counted_out.left_alive, 0) AS left_alive,
        coalesce(counted_out.exit_rows, 0) AS exit_rows,
        coalesce(counted_out.released, 0) AS released,
        sqrt(tank_spans.eggs_sd ** 2 + coalesce(counted_out.variance, 0.0)) AS counting_sd,
        tank_spans.closed_on,
        tank_spans.end_reason,
        tank_spans.delivery_upload,
        tank_spans.delivery_line
    FROM tank_spans
    LEFT JOIN dead USING (season, tank_id)
    LEFT JOIN counted_out USING (season, tank_id)
    WHERE tank_spans.eggs IS NOT NULL
)

SELECT * FROM final ORDER BY season, tank_id
