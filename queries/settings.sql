-- settings
--
-- purpose: the programme's settings, for the other queries to read.
-- grain: one row.
-- reads:
-- returns:
--   season_start_month [month number]: month in which a season starts
--   season_start_day [day of month]: day on which a season starts
--   warm_limit_c [°C]: published limit for spawning and incubation
--   cold_limit_c [°C]: below this, early eggs suffer
--   interpolate_up_to_days [days]: longest gap filled by a straight line
--   exposure_max_missing_pct [%]: above this share of days not read, no exposure is given
--   validation_max_missing_pct [%]: above this share of days not read, a tank is left out of model validation
--   validation_max_gap_se_days [days]: the same where days that were not read may move an event by more (one SE)
--   silent_days [days]: a tank without any record for longer is on the week's list
--   plausible_up_to_c [°C]: a reading above this, in its stated unit, is out of every exposure until acknowledged
WITH final AS (
    SELECT
        $season_start_month::INTEGER AS season_start_month,
        $season_start_day::INTEGER AS season_start_day,
        $warm_limit_c::DOUBLE AS warm_limit_c,
        $cold_limit_c::DOUBLE AS cold_limit_c,
        $interpolate_up_to_days::INTEGER AS interpolate_up_to_days,
        $exposure_max_missing_pct::DOUBLE AS exposure_max_missing_pct,
        $validation_max_missing_pct::DOUBLE AS validation_max_missing_pct,
        $validation_max_gap_se_days::DOUBLE AS validation_max_gap_se_days,
        $silent_days::INTEGER AS silent_days,
        25.0::DOUBLE AS plausible_up_to_c
)

SELECT * FROM final
