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
--   day [date]: local day
--   water_temp_c [°C]: daily mean, observed or filled in as `source` says
--   min_c [°C]: lowest reading; NULL unless observed
--   max_c [°C]: highest reading; NULL unless observed
--   readings [count]: readings behind it; 0 where filled in
--   source [text]: observed, interpolated, modelled
--   instrument [text]: logger, thermometer, controller; NULL where filled in
--   adjusted_by_c [°C]: offset taken off a hand-read day, 0 where none was
--   se_c [°C]: error from not having been read; 0 where observed
--   se_step_c2 [°C²]: what the day adds to the variance of a sum of days, errors inside one gap being the same error
--   hours_read [h]: time the readings stand for; NULL with fewer than four timed readings
--   hours_above_warm [h]: of these, above the warm limit
--   hours_below_cold [h]: of these, below the cold limit
--   has_gap [true/false]: four or more readings, with over six hours between two of them or under eighteen hours read
WITH days AS (SELECT * FROM daily_readings),

offsets AS (SELECT season, tank_id, instrument, offset_c FROM instrument_offsets WHERE is_applied),

setups AS (SELECT season, tank_id, season_starts_on, season_ends_on, closed_on, set_point_c FROM staged_setups),

deliveries AS (SELECT season, tank_id, delivered_on FROM staged_deliveries),

coverage AS (SELECT season, tank_id, last_record_on FROM record_coverage),

limits AS (SELECT interpolate_up_to_days FROM settings),

-- Spreads of daily means, in °C: between a day and the next, of a week's mean about the level in a gap beside it,
-- and of a tank about its set point. Judgement, no published source.
spreads AS (SELECT 0.35 AS day_to_day_c, 0.40 AS beside_c, 0.60 AS set_point_c),

spans AS (
    SELECT
        setups.season,
        setups.tank_id,
        setups.season_starts_on,
        setups.set_point_c,
        min(deliveries.delivered_on) AS delivered_on,
        least(
            coalesce(any_value(setups.closed_on), any_value(coverage.last_record_on)), any_value(setups.season_ends_on)
        ) AS ends_on
    FROM setups
    LEFT JOIN deliveries USING (season, tank_id)
    LEFT JOIN coverage USING (season, tank_id)
    GROUP BY setups.season, setups.tank_id, setups.season_starts_on, setups.set_point_c
),

logger_days AS (SELECT * FROM days WHERE instrument = 'logger'),

hand_days AS (
    SELECT *
    FROM days
    ANTI JOIN logger_days USING (tank_id, day)
    WHERE instrument <> 'logger'
    QUALIFY row_number() OVER (PARTITION BY tank_id, day ORDER BY instrument DESC) = 1
),

chosen AS (
    SELECT * FROM logger_days
    UNION ALL
    SELECT * FROM hand_days
),

observed AS (
    SELECT
        spans.season,
        chosen.tank_id,
        chosen.day,
        chosen.mean_c - coalesce(offsets.offset_c, 0.0) AS water_temp_c,
        chosen.min_c - coalesce(offsets.offset_c, 0.0) AS min_c,
        chosen.max_c - coalesce(offsets.offset_c, 0.0) AS max_c,
        chosen.readings,
        chosen.instrument,
        coalesce(offsets.offset_c, 0.0) AS adjusted_by_c,
        chosen.hours_read,
        chosen.hours_above_warm,
        chosen.hours_below_cold,
        chosen.largest_gap_hours > 6 OR chosen.hours_read < 18 AS has_gap
    FROM chosen
    INNER JOIN spans
        ON chosen.tank_id = spans.tank_id AND chosen.day BETWEEN spans.season_starts_on AND spans.ends_on
    LEFT JOIN offsets
        ON chosen.tank_id = offsets.tank_id
        AND chosen.instrument = offsets.instrument
        AND spans.season = offsets.season
),

followed AS (
    SELECT
        season,
        tank_id,
        day AS before_day,
        lead(day) OVER (PARTITION BY season, tank_id ORDER BY day) AS after_day
    FROM observed
),

read_span AS (
    SELECT season, tank_id, min(day) AS first_day, max(day) AS last_day FROM observed GROUP BY season, tank_id
),

-- Gaps between two read days, before the first, after the last, and whole seasons without a reading.
gaps AS (
    SELECT season, tank_id, before_day, after_day, before_day + 1 AS from_day, after_day - 1 AS to_day
    FROM followed
    WHERE after_day > before_day + 1
    UNION ALL
    SELECT season, tank_id, NULL, first_day, spans.delivered_on, first_day - 1
    FROM read_span
    INNER JOIN spans USING (season, tank_id)
    WHERE spans.delivered_on < first_day
    UNION ALL
    SELECT season, tank_id, last_day, NULL, last_day + 1, spans.ends_on
    FROM read_span
    INNER JOIN spans USING (season, tank_id)
    WHERE last_day < spans.ends_on
    UNION ALL
    SELECT season, tank_id, NULL, NULL, spans.delivered_on, spans.ends_on
    FROM spans
    ANTI JOIN read_span USING (season, tank_id)
    WHERE spans.delivered_on <= spans.ends_on
),

-- A gap that ends before the eggs came matters to nobody.
open_gaps AS (
    SELECT gaps.*, spans.delivered_on, spans.set_point_c, gaps.to_day - gaps.from_day + 1 AS length_days
    FROM gaps
    INNER JOIN spans USING (season, tank_id)
    WHERE gaps.to_day >= spans.delivered_on
),

beside AS (
    SELECT
        open_gaps.season,
        open_gaps.tank_id,
        open_gaps.from_day,
        any_value(observed.water_temp_c) FILTER (WHERE observed.day = open_gaps.before_day) AS before_c,
        any_value(observed.water_temp_c) FILTER (WHERE observed.day = open_gaps.after_day) AS after_c,
        fsum(observed.water_temp_c) FILTER (WHERE observed.day <= open_gaps.before_day)
            / count(*) FILTER (WHERE observed.day <= open_gaps.before_day) AS week_before_c,
        fsum(observed.water_temp_c) FILTER (WHERE observed.day >= open_gaps.after_day)
            / count(*) FILTER (WHERE observed.day >= open_gaps.after_day) AS week_after_c
    FROM open_gaps
    INNER JOIN observed
        ON open_gaps.season = observed.season
        AND open_gaps.tank_id = observed.tank_id
        AND (
            observed.day BETWEEN open_gaps.before_day - 6 AND open_gaps.before_day
            OR observed.day BETWEEN open_gaps.after_day AND open_gaps.after_day + 6
        )
    GROUP BY open_gaps.season, open_gaps.tank_id, open_gaps.from_day
),

-- Precision of what speaks for the level in a long gap.
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
        spreads.day_to_day_c,
        beside.before_c IS NOT NULL
        AND beside.after_c IS NOT NULL
        AND open_gaps.length_days <= limits.interpolate_up_to_days AS is_short
    FROM open_gaps
    CROSS JOIN spreads
    CROSS JOIN limits
    LEFT JOIN beside USING (season, tank_id, from_day)
),

missing_days AS (
    SELECT
        *,
        unnest(generate_series(1, length_days::BIGINT)) AS place
    FROM levels
),

filled AS (
    SELECT
        season,
        tank_id,
        from_day + place::INTEGER - 1 AS day,
        place / (length_days + 1.0) AS part,
        CASE
            WHEN is_short THEN before_c + part * (after_c - before_c)
            WHEN beside_precision + set_point_precision > 0
                THEN (
                    beside_precision * coalesce(start_c + part * (end_c - start_c), 0.0)
                    + set_point_precision * coalesce(set_point_c, 0.0)
                ) / (beside_precision + set_point_precision)
        END AS water_temp_c,
        CASE WHEN is_short THEN 'interpolated' ELSE 'modelled' END AS source,
        CASE
            WHEN is_short THEN day_to_day_c * sqrt((length_days + 1.0) / 4.0)
            WHEN beside_precision + set_point_precision > 0 THEN 1.0 / sqrt(beside_precision + set_point_precision)
        END AS se_c,
        se_c * se_c * (2 * place - 1) AS se_step_c2,
        delivered_on
    FROM missing_days
),

final AS (
    SELECT
        season,
        tank_id,
        day,
        water_temp_c,
        min_c,
        max_c,
        readings,
        'observed' AS source,
        instrument,
        adjusted_by_c,
        0.0::DOUBLE AS se_c,
        0.0::DOUBLE AS se_step_c2,
        hours_read,
        hours_above_warm,
        hours_below_cold,
        coalesce(has_gap, false) AS has_gap
    FROM observed
    UNION ALL
    SELECT
        season,
        tank_id,
        day,
        water_temp_c,
        NULL,
        NULL,
        0,
        source,
        NULL,
        0.0,
        se_c,
        se_step_c2,
        NULL,
        NULL,
        NULL,
        false
    FROM filled
    WHERE day >= delivered_on AND water_temp_c IS NOT NULL
)

SELECT * FROM final
