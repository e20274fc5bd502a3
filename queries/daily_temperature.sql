-- daily_temperature
--
-- purpose: one water temperature per tank and day from the first reading or delivery to the end of the tank's
--     season. The logger is preferred; days read only by hand are moved by the tank's own offset where one is
--     known. Gaps up to the setting are interpolated. Longer ones, and those at either end, are modelled from the
--     week on either side and the set point. Both are marked and carry their error.
-- grain: one row per season, tank and day.
-- reads: daily_readings, instrument_offsets, staged_setups, staged_deliveries, record_coverage, settings
-- key: season, tank_id, day
-- returns:
--   season [season]: season
--   tank_id [code]: tank
--   setup_number [number]: short key of season and tank, as in staged_setups
--   day [date]: local day
--   water_temp_c [°C]: daily mean, observed or filled in as `source` says
--   min_c [°C]: lowest reading; NULL unless observed
--   max_c [°C]: highest reading; NULL unless observed
--   readings [count]: readings behind it; 0 where filled in
--   source [text]: observed, interpolated, modelled
--   instrument [text]: logger, thermometer, controller; NULL where filled in
--   adjusted_by_c [°C]: offset taken off a hand-read day, 0 where none was
--   se_c [°C]: error from not having been read; 0 where observed, but for a day read in part only (has_gap)
--   se_step_c2 [°C²]: what the day adds to the variance of a sum of days, errors inside one gap being the same error
--   hours_read [h]: time the readings stand for; NULL with fewer than four timed readings
--   hours_above_warm [h]: of these, above the warm limit
--   hours_below_cold [h]: of these, below the cold limit
--   rise_c [°C]: daily mean − the day before's, both observed, else NULL
--   week_of_maxima_c [°C]: mean of max_c over the seven days ending here, each with hours read, else NULL
--   warmth_so_far_c_days [°C·d]: sum of daily means above 0 °C from the tank's first row to the end of this day
--   variance_so_far_c2 [°C²]: sum of se_step_c2 likewise
--   has_gap [true/false]: four or more readings, with over six hours between two of them or under eighteen hours read
WITH days AS (SELECT * FROM daily_readings),

offsets AS (SELECT season, tank_id, instrument, offset_c FROM instrument_offsets WHERE is_applied),

setups AS (SELECT * FROM staged_setups),

deliveries AS (SELECT season, tank_id, delivered_on FROM staged_deliveries),

coverage AS (SELECT season, tank_id, last_record_on FROM record_coverage),

limits AS (SELECT interpolate_up_to_days FROM settings),

-- Spreads in °C: of a daily mean about the day before; of a day read fewer than four times, and of one read oftener,
-- about its true mean; of a week's mean about the level in a gap beside it; of a tank about its set point.
-- Judgement, no published source; on simulated programmes the errors they give are right to about a fifth.
spreads AS (
    SELECT
        0.20 AS day_to_day_c, 0.50 AS read_seldom_c, 0.10 AS read_often_c, 0.40 AS beside_c, 0.60 AS set_point_c
),

first_deliveries AS (
    SELECT season, tank_id, min(delivered_on) AS delivered_on FROM deliveries GROUP BY season, tank_id
),

spans AS MATERIALIZED (
    SELECT
        setups.setup_number,
        setups.season,
        setups.tank_id,
        setups.season_starts_on,
        setups.set_point_c,
        first_deliveries.delivered_on,
        coalesce(setups.closed_on, coverage.last_record_on) AS told_end_on,
        CASE WHEN told_end_on IS NOT NULL THEN least(told_end_on, setups.season_ends_on) END AS ends_on
    FROM setups
    LEFT JOIN first_deliveries USING (season, tank_id)
    LEFT JOIN coverage USING (season, tank_id)
),

logger_days AS NOT MATERIALIZED (SELECT * FROM days WHERE instrument = 'logger'),

hand_days AS (
    SELECT *
    FROM days
    ANTI JOIN logger_days USING (tank_id, day)
    WHERE instrument <> 'logger'
    QUALIFY row_number() OVER (PARTITION BY tank_id, day ORDER BY instrument = 'thermometer' DESC) = 1
),

chosen AS (
    SELECT *, 0.0::DOUBLE AS adjusted_by_c FROM logger_days
    UNION ALL
    SELECT hand_days.*, coalesce(offsets.offset_c, 0.0) AS adjusted_by_c
    FROM hand_days
    LEFT JOIN offsets
        ON hand_days.tank_id = offsets.tank_id
        AND hand_days.instrument = offsets.instrument
        AND season_of(hand_days.day) = offsets.season
),

observed AS MATERIALIZED (
    SELECT
        spans.season,
        spans.tank_id,
        spans.setup_number,
        chosen.day,
        chosen.mean_c - chosen.adjusted_by_c AS water_temp_c,
        chosen.min_c - chosen.adjusted_by_c AS min_c,
        chosen.max_c - chosen.adjusted_by_c AS max_c,
        chosen.readings,
        chosen.instrument,
        chosen.adjusted_by_c,
        chosen.hours_read,
        chosen.hours_above_warm,
        chosen.hours_below_cold,
        coalesce(chosen.largest_gap_hours > 6 OR chosen.hours_read < 18, false) AS has_gap
    FROM chosen
    INNER JOIN spans
        ON chosen.tank_id = spans.tank_id AND chosen.day BETWEEN spans.season_starts_on AND spans.ends_on
),

read_span AS (
    SELECT setup_number, min(day) AS first_day, max(day) AS last_day, count(*) AS days_read
    FROM observed
    GROUP BY setup_number
),

-- Only a set-up with fewer read days than its span has holes to look for.
with_holes AS (
    SELECT setup_number FROM read_span WHERE last_day - first_day + 1 > days_read
),

followed AS (
    SELECT
        setup_number,
        day AS before_day,
        lead(day) OVER (PARTITION BY setup_number ORDER BY day) AS after_day
    FROM observed
    SEMI JOIN with_holes USING (setup_number)
),

-- Gaps between two read days, before the first, after the last, and whole seasons without a reading.
gaps AS (
    SELECT setup_number, before_day, after_day, before_day + 1 AS from_day, after_day - 1 AS to_day
    FROM followed
    WHERE after_day > before_day + 1
    UNION ALL
    SELECT setup_number, NULL, first_day, spans.delivered_on, first_day - 1
    FROM read_span
    INNER JOIN spans USING (setup_number)
    WHERE spans.delivered_on < first_day
    UNION ALL
    SELECT setup_number, last_day, NULL, last_day + 1, spans.ends_on
    FROM read_span
    INNER JOIN spans USING (setup_number)
    WHERE last_day < spans.ends_on
    UNION ALL
    SELECT setup_number, NULL, NULL, spans.delivered_on, spans.ends_on
    FROM spans
    ANTI JOIN read_span USING (setup_number)
    WHERE spans.delivered_on <= spans.ends_on
),

open_gaps AS (
    SELECT
        gaps.*,
        spans.season,
        spans.tank_id,
        spans.set_point_c,
        gaps.to_day - gaps.from_day + 1 AS length_days
    FROM gaps
    INNER JOIN spans USING (setup_number)
),

beside AS (
    SELECT
        open_gaps.setup_number,
        open_gaps.from_day,
        any_value(observed.water_temp_c) FILTER (WHERE observed.day = open_gaps.before_day) AS before_c,
        any_value(observed.water_temp_c) FILTER (WHERE observed.day = open_gaps.after_day) AS after_c,
        count(*) FILTER (
            WHERE observed.day IN (open_gaps.before_day, open_gaps.after_day) AND observed.hours_read IS NULL
        ) AS ends_read_seldom,
        fsum(observed.water_temp_c ORDER BY observed.day) FILTER (WHERE observed.day <= open_gaps.before_day)
            / count(*) FILTER (WHERE observed.day <= open_gaps.before_day) AS week_before_c,
        fsum(observed.water_temp_c ORDER BY observed.day) FILTER (WHERE observed.day >= open_gaps.after_day)
            / count(*) FILTER (WHERE observed.day >= open_gaps.after_day) AS week_after_c
    FROM open_gaps
    INNER JOIN observed
        ON open_gaps.setup_number = observed.setup_number
        AND (
            observed.day BETWEEN open_gaps.before_day - 6 AND open_gaps.before_day
            OR observed.day BETWEEN open_gaps.after_day AND open_gaps.after_day + 6
        )
    GROUP BY open_gaps.setup_number, open_gaps.from_day
),

-- What speaks for the level in a long gap, each by its precision: the weeks beside it and the set point.
levels AS (
    SELECT
        open_gaps.*,
        beside.before_c,
        beside.after_c,
        coalesce(beside.week_before_c, beside.week_after_c) AS start_c,
        coalesce(beside.week_after_c, beside.week_before_c) AS end_c,
        ((beside.week_before_c IS NOT NULL)::INTEGER + (beside.week_after_c IS NOT NULL)::INTEGER)
            / (spreads.beside_c * spreads.beside_c) AS beside_precision,
        (open_gaps.set_point_c IS NOT NULL)::INTEGER / (spreads.set_point_c * spreads.set_point_c)
            AS set_point_precision,
        beside_precision + set_point_precision AS precision_c2,
        ends_read_seldom * spreads.read_seldom_c * spreads.read_seldom_c
        + (2 - ends_read_seldom) * spreads.read_often_c * spreads.read_often_c AS ends_c2,
        spreads.day_to_day_c * spreads.day_to_day_c AS day_to_day_c2,
        coalesce(
            beside.before_c IS NOT NULL
            AND beside.after_c IS NOT NULL
            AND open_gaps.length_days <= limits.interpolate_up_to_days,
            false
        ) AS is_short
    FROM open_gaps
    CROSS JOIN spreads
    CROSS JOIN limits
    LEFT JOIN beside USING (setup_number, from_day)
),

missing_days AS (
    SELECT *, unnest(generate_series(1, length_days::BIGINT)) AS place FROM levels
),

filled AS (
    SELECT
        season,
        tank_id,
        setup_number,
        from_day + place::INTEGER - 1 AS day,
        place / (length_days + 1.0) AS part,
        CASE
            WHEN is_short THEN before_c + part * (after_c - before_c)
            WHEN precision_c2 > 0
                THEN (
                    beside_precision * coalesce(start_c + part * (end_c - start_c), 0.0)
                    + set_point_precision * coalesce(set_point_c, 0.0)
                ) / precision_c2
        END AS water_temp_c,
        CASE WHEN is_short THEN 'interpolated' ELSE 'modelled' END AS source,
        CASE
            -- a straight line between two uncertain ends, and a random walk between them on average
            WHEN is_short THEN sqrt(ends_c2 / 4.0 + day_to_day_c2 * (length_days + 1.0) / 6.0)
            WHEN precision_c2 > 0 THEN 1.0 / sqrt(precision_c2)
        END AS se_c,
        se_c * se_c * (2 * place - 1) AS se_step_c2
    FROM missing_days
),

all_days AS MATERIALIZED (
    SELECT
        observed.*,
        'observed' AS source,
        CASE WHEN has_gap THEN spreads.read_seldom_c ELSE 0.0 END::DOUBLE AS se_c,
        se_c * se_c AS se_step_c2
    FROM observed
    CROSS JOIN spreads
    UNION ALL BY NAME
    SELECT
        season,
        tank_id,
        setup_number,
        day,
        water_temp_c,
        0 AS readings,
        0.0::DOUBLE AS adjusted_by_c,
        false AS has_gap,
        source,
        se_c,
        se_step_c2
    FROM filled
    WHERE water_temp_c IS NOT NULL
),

-- Rows follow each other day by day. Sums run in whole millionths, so that differences between them are exact.
course AS (
    SELECT
        setup_number,
        day,
        observed_c - lag(observed_c) OVER in_time AS rise_c,
        CASE WHEN count(max_of_day_c) OVER week = 7 THEN avg(max_of_day_c) OVER week END AS week_of_maxima_c,
        sum(warmth_millionths) OVER so_far / 1e6 AS warmth_so_far_c_days,
        sum(variance_millionths) OVER so_far / 1e6 AS variance_so_far_c2
    FROM (
        SELECT
            setup_number,
            day,
            CASE WHEN source = 'observed' THEN water_temp_c END AS observed_c,
            CASE WHEN hours_read IS NOT NULL THEN max_c END AS max_of_day_c,
            (greatest(water_temp_c, 0.0) * 1e6)::BIGINT AS warmth_millionths,
            (se_step_c2 * 1e6)::BIGINT AS variance_millionths
        FROM all_days
    )
    WINDOW
        in_time AS (PARTITION BY setup_number ORDER BY day),
        so_far AS (PARTITION BY setup_number ORDER BY day ROWS UNBOUNDED PRECEDING),
        week AS (PARTITION BY setup_number ORDER BY day ROWS BETWEEN 6 PRECEDING AND CURRENT ROW)
),

final AS (
    SELECT
        season,
        tank_id,
        setup_number,
        day,
        water_temp_c,
        min_c,
        max_c,
        readings,
        source,
        instrument,
        adjusted_by_c,
        se_c,
        se_step_c2,
        hours_read,
        hours_above_warm,
        hours_below_cold,
        rise_c,
        week_of_maxima_c,
        warmth_so_far_c_days,
        variance_so_far_c2,
        has_gap
    FROM all_days
    INNER JOIN course USING (setup_number, day)
)

SELECT * FROM final
