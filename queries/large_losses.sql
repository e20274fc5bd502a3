-- large_losses
--
-- purpose: facts that no model is needed to see: so many found dead within a week, far fewer left than in half of
--     the tanks of the same eggs, or none left at all. They say that something happened, not why, nor whether it was chance.
-- grain: one row per season and tank of which such a fact is on record.
-- reads: tank_seasons, worst_weeks, staged_incidents
-- key: season, tank_id
-- returns:
--   season [season]: season
--   tank_id [code]: tank
--   site_id [code]: site
--   region [code]: region
--   batch_id [code]: main batch
--   eggs [count]: live eggs on arrival
--   left_alive [count]: left alive; NULL when not known
--   left_pct [%]: left alive ÷ eggs
--   unaccounted [count]: neither counted dead nor seen to leave; NULL when not known
--   week_dead [count]: dead found in the seven days that took most, as in worst_weeks, where these are a
--     fifth of the eggs or more; else NULL, as the next five
--   week_pct [%]: the same ÷ eggs
--   week_from [date]: first of these days on which dead were found
--   week_to [date]: last such day
--   most_dead [count]: dead found on the one of these days on which most were
--   most_on [date]: that day
--   incidents [text]: kinds of the incidents, water changes apart, that ran, or began, from three days before these
--     days to their end; NULL when none did
--   incidents_from [date]: day on which the first of these began
--   compared_with [text]: batch, or season where the batch is in too few tanks: the tanks of the next two, this one
--     among them; NULL where not far fewer are left than in half of them
--   tanks_compared [count]: tanks whose fish left alive are known
--   median_pct [%]: left alive in the median tank of these
--   lost_pct [%]: the larger of week_pct and what is not left alive
WITH
-- Common practice, no source: ordinary tanks lose a few in a hundred a week, and their survival differs by some eight
-- points (one standard deviation), so that either fact is rare among them.
thresholds AS (
    SELECT 20.0 AS lost_in_a_week_pct, 25.0 AS points_below_median, 4 AS fewest_tanks, 3 AS days_before
),

tanks AS (
    SELECT
        *,
        CASE WHEN release_based_pct > 100.0 THEN 100.0 ELSE release_based_pct END AS left_pct,
        count(left_pct) OVER of_batch AS in_batch,
        median(left_pct) OVER of_batch AS batch_pct,
        count(left_pct) OVER of_season AS in_season,
        median(left_pct) OVER of_season AS season_pct
    FROM tank_seasons
    WHERE eggs > 0
    WINDOW
        of_batch AS (PARTITION BY season, batch_id),
        of_season AS (PARTITION BY season, species)
),

far_below AS (
    SELECT
        season,
        tank_id,
        CASE WHEN in_batch >= fewest_tanks THEN 'batch' ELSE 'season' END AS compared_with,
        CASE compared_with WHEN 'batch' THEN in_batch ELSE in_season END AS tanks_compared,
        CASE compared_with WHEN 'batch' THEN batch_pct ELSE season_pct END AS median_pct
    FROM tanks
    CROSS JOIN thresholds
    WHERE tanks_compared >= fewest_tanks AND left_pct <= median_pct - points_below_median
),

-- Counts that cannot be are shown as such elsewhere, and running totals are no deaths of a week.
weeks AS (
    SELECT season, tank_id, week_dead, pct(week_dead, eggs) AS week_pct, week_from, week_to, most_dead, most_on
    FROM worst_weeks
    INNER JOIN tanks USING (season, tank_id)
    CROSS JOIN thresholds
    WHERE week_pct >= lost_in_a_week_pct
        AND NOT losses_look_cumulative AND dead_total <= 1.1 * eggs
),

on_record AS (
    SELECT
        season,
        tank_id,
        string_agg(kind, ' ' ORDER BY started_at, kind) AS incidents,
        min(started_at)::DATE AS incidents_from
    FROM staged_incidents
    INNER JOIN weeks USING (season, tank_id)
    CROSS JOIN thresholds
    WHERE kind <> 'water_change' AND started_at::DATE <= week_to
        AND coalesce(ended_at, started_at)::DATE >= week_from - days_before
    GROUP BY season, tank_id
),

final AS (
    SELECT
        season,
        tank_id,
        tanks.site_id,
        tanks.region,
        tanks.batch_id,
        tanks.eggs,
        tanks.left_alive,
        tanks.left_pct,
        tanks.unaccounted,
        weeks.week_dead,
        weeks.week_pct,
        weeks.week_from,
        weeks.week_to,
        weeks.most_dead,
        weeks.most_on,
        on_record.incidents,
        on_record.incidents_from,
        far_below.compared_with,
        far_below.tanks_compared,
        far_below.median_pct,
        greatest(weeks.week_pct, 100.0 - tanks.left_pct) AS lost_pct
    FROM tanks
    LEFT JOIN weeks USING (season, tank_id)
    LEFT JOIN on_record USING (season, tank_id)
    LEFT JOIN far_below USING (season, tank_id)
    WHERE weeks.week_dead IS NOT NULL OR far_below.median_pct IS NOT NULL OR tanks.left_alive = 0
)

SELECT * FROM final ORDER BY season, tank_id
