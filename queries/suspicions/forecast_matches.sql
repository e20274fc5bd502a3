-- forecast_matches
--
-- purpose: dates of half hatch that fall exactly on a forecast by constant units at the set point, for the number of
--     units at which the programme's dates agree too often to be chance. Only dates without a last date on which it
--     had not happened are judged: a date copied from a sheet has none.
-- grain: one row per date of half hatch that agrees.
-- reads: stages, tank_spans, settings
-- returns:
--   tank_id [code]: tank
--   first_seen_on [date]: date of half hatch
--   upload [number]: its upload
--   line [spreadsheet row]: its row
--   species [text]: species
--   units_c_days [°C·d]: units to half hatch at which the dates agree
--   judged [count]: dates of that species that were judged
--   agreeing [count]: of these, the ones that agree to the day
--   by_chance [count]: the ones that would by chance, from the agreement up to three days beside
WITH dates AS (
    SELECT
        stages.tank_id,
        stages.first_seen_on,
        stages.upload,
        stages.line,
        tank_spans.species,
        tank_spans.first_delivered_on,
        tank_spans.units_at_delivery_c_days AS units_c_days,
        tank_spans.set_point_c
    FROM stages
    INNER JOIN tank_spans
        ON tank_spans.tank_id = stages.tank_id AND tank_spans.season = season_of(stages.first_seen_on)
    WHERE stages.stage = 'hatch_half'
        AND stages.dating = 'seen'
        AND stages.last_absent_on IS NULL
        AND tank_spans.set_point_c BETWEEN 1.0 AND 20.0
        AND tank_spans.units_at_delivery_c_days IS NOT NULL
),

-- Any whole number of units that somebody may have printed on a sheet.
candidates AS (SELECT unnest(range(250, 751)) AS sheet_units_c_days),

residuals AS (
    SELECT
        dates.*,
        sheet_units_c_days,
        first_seen_on - first_delivered_on
        - ceil((sheet_units_c_days - units_c_days) / set_point_c)::INTEGER AS days_late
    FROM dates
    CROSS JOIN candidates
    WHERE sheet_units_c_days > units_c_days
),

counts AS (
    SELECT
        species,
        sheet_units_c_days,
        count_if(days_late = 0) AS agreeing,
        count_if(abs(days_late) BETWEEN 1 AND 3) / 6.0 AS by_chance
    FROM residuals
    GROUP BY species, sheet_units_c_days
),

-- What chance would give is itself only known to a standard error, and 500 numbers of units were tried. Chernoff's bound
-- on a Poisson tail: so many agree with probability at most exp(-bound), and 500 exp(-bound) is to be below 0.05.
weighed AS (
    SELECT
        *,
        greatest(by_chance, 0.5) + sqrt(greatest(by_chance, 0.5) / 6.0) AS chance_at_most,
        agreeing * ln(agreeing / chance_at_most) - (agreeing - chance_at_most) AS bound
    FROM counts
    WHERE agreeing > 0
),

excess AS (
    SELECT species, sheet_units_c_days, agreeing, by_chance
    FROM weighed
    WHERE agreeing > chance_at_most AND bound >= ln(500 / 0.05)
    QUALIFY row_number() OVER (PARTITION BY species ORDER BY bound DESC, sheet_units_c_days) = 1
),

judged AS (SELECT species, count(*) AS judged FROM dates GROUP BY species)

SELECT
    residuals.tank_id,
    residuals.first_seen_on,
    residuals.upload,
    residuals.line,
    residuals.species,
    excess.sheet_units_c_days AS units_c_days,
    judged.judged,
    excess.agreeing,
    excess.by_chance
FROM residuals
INNER JOIN excess
    ON residuals.species IS NOT DISTINCT FROM excess.species
    AND residuals.sheet_units_c_days = excess.sheet_units_c_days
INNER JOIN judged ON residuals.species IS NOT DISTINCT FROM judged.species
WHERE residuals.days_late = 0
