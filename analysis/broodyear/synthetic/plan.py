"""The plan of the invented programme: every number that matters, each with its meaning.

Every effect, spread and share an analysis could meet is here; only matters of style (which filter, which
count method, who writes down the hour) stay beside their code. synthetic_data/plan.md is written from these
classes (by tests/simulated/plan_page.py), and a test keeps the two the same. Values follow public studies of
salmonid incubation where there are any; the rest is judgement, and all of it is invented data.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

LAST_SEASON = 2024
"""The latest season of every simulated programme: a constant, so that no date depends on the day it is
run."""

MOST_SEASONS, MOST_TANKS = 100, 10_000
"""Beyond these a programme is simulated for hours, or has dates before any thermometer."""

SPECIES = ("chinook", "coho", "rainbow_trout")


def _num(value: Any, meaning: str) -> Any:
    """A field of a plan: its value and, as metadata, what it means."""
    return field(default=value, metadata={"meaning": meaning})


@dataclass(frozen=True)
class PlacesPlan:
    """Sites, tanks and how they are set up."""

    returning_share: float = _num(0.70, "share of sites that host a tank again next season")
    tank_retired_share: float = _num(0.04, "share of tanks replaced by a new tank between seasons")
    two_tank_share: float = _num(0.20, "share of sites with two tanks")
    three_tank_share: float = _num(0.05, "share of sites with three tanks")
    keen_site_share: float = _num(0.40, "share of keen sites, which are likelier to get a logger")
    logger_share_keen: float = _num(0.55, "share of tanks with a logger at keen sites")
    logger_share_other: float = _num(0.14, "share of tanks with a logger at other sites")
    weekend_access_share: float = _num(0.25, "share of sites where someone looks at weekends")
    hallway_share: float = _num(0.20, "share of tanks that stand in a hallway")
    gravel_share_quiet_rooms: float = _num(0.75, "share with gravel in quiet rooms, layered stones apart")
    gravel_share_hallway: float = _num(0.20, "the same in hallways: gravel goes with the room and does nothing")
    layered_stones_share: float = _num(0.16, "share of tanks on layered small stones, alike in every room")
    practice_change_share: float = _num(0.15, "share of returning tanks that change their gravel practice")
    light_cover_share: float = _num(0.70, "share of tanks with a light cover")
    insulated_share: float = _num(0.55, "share of insulated tanks")
    media_carried_over_share: float = _num(0.45, "share of returning tanks that keep last season's filter media")
    cold_site_share: float = _num(0.10, "share of sites with a set point of 4 to 5 °C")
    warm_site_share: float = _num(0.12, "share of sites with a set point of 11 to 12 °C")
    set_point_low_c: float = _num(7.0, "lowest ordinary set point, °C")
    set_point_high_c: float = _num(10.0, "highest ordinary set point, °C")
    new_sites_get_new_chillers: bool = _num(False, "switch: sites in their first season always have a new chiller")
    poor_tanks: int = _num(3, "tanks planted poor in every one of their seasons")
    poor_tank_shortfall_points: float = _num(30.0, "percentage points of delivered-to-release a poor tank lacks")
    poor_sites: int = _num(1, "sites planted poor: all their tanks, every season")
    poor_site_shortfall_points: float = _num(25.0, "percentage points each tank of a poor site lacks")


@dataclass(frozen=True)
class EggsPlan:
    """Batches, trips, and what is delivered."""

    own_batch_share: float = _num(0.62, "share of a region's tanks served from its own batch")
    neighbour_batch_share: float = _num(0.18, "share served from the next region's batch")
    shared_batch_share: float = _num(0.20, "share served from the batch that goes to all regions")
    isolated_last_region: bool = _num(True, "with four regions or more, the last shares no batch with any other")
    batch_log_hazard_sd: float = _num(0.28, "spread of batches, log hazard of death in all stages")
    stock_log_hazard_sd: float = _num(0.12, "spread of donor stocks, log hazard")
    lot_log_hazard_sd: float = _num(0.10, "spread of trips within a batch, log hazard")
    bad_batch_log_hazard: float = _num(0.85, "log hazard added to the bad batch of the first region")
    bad_batch_every_seasons: int = _num(2, "the first region's own batch is bad every so many seasons (0: never)")
    small_delivery_share: float = _num(0.15, "share of tanks that get 30 to 60 eggs")
    eggs_median: int = _num(150, "median live eggs delivered to other tanks")
    eggs_log_sd: float = _num(0.25, "spread of eggs delivered, log scale")
    fraction_low: float = _num(0.52, "earliest fraction of development to hatch at which eyed eggs travel")
    fraction_high: float = _num(0.62, "latest fraction of development to hatch at which eyed eggs travel")
    tanks_per_trip: int = _num(6, "most tanks served by one trip")
    trip_spacing_days: float = _num(2.5, "mean days between trips of one batch to one region")
    green_trip_share: float = _num(0.03, "share of trips that bring green eggs")
    late_trip_share: float = _num(0.03, "share of trips made within 3 days of hatch")
    late_trip_alevin_log_hazard: float = _num(0.9, "log hazard of alevins of such a trip")
    second_delivery_share: float = _num(0.04, "share of tank-seasons with a second, smaller delivery")
    dead_on_arrival_pct: float = _num(2.5, "mean percent dead on arrival (not counted among the live eggs)")
    units_at_delivery_sd_c_days: float = _num(6.0, "error of the recorded thermal units at delivery, °C·d")


@dataclass(frozen=True)
class WaterPlan:
    """Water temperature, chillers, interruptions."""

    controller_offset_sd_c: float = _num(0.6, "spread between tanks of true water against set point, °C")
    slow_drift_sd_c: float = _num(0.20, "slow drift of one tank's water about its own target, °C")
    room_low_c: float = _num(19.0, "coolest usual room, °C")
    room_high_c: float = _num(23.0, "warmest usual room, °C")
    weekend_room_drop_c: float = _num(4.0, "how much cooler rooms are at weekends and in breaks, °C")
    chiller_stop_share: float = _num(0.04, "share of tank-seasons whose chiller stops once (more when old)")
    chiller_stop_hours_median: float = _num(26.0, "median hours a stopped chiller stays stopped")
    power_cut_per_region: float = _num(0.8, "power cuts a region and season; each strikes a part of its tanks")
    power_cut_share_of_tanks: float = _num(0.20, "share of a region's tanks struck by one power cut")
    pump_stop_share: float = _num(0.02, "share of tank-seasons with a pump stop")
    ice_share: float = _num(0.015, "share of tank-seasons with ice on the exchanger")
    incident_reported_share: float = _num(0.80, "share of interruptions that someone writes down")


@dataclass(frozen=True)
class DevelopmentPlan:
    """Development: its curve is in development.py (`TRUE_CURVES`), these are the spreads."""

    batch_log_rate_sd: float = _num(0.03, "spread of batches, log rate of development")
    tank_log_rate_sd: float = _num(0.01, "spread of tanks of one batch, log rate")
    variance_effect_per_c2: float = _num(0.004, "gain in rate per °C² of variance within a day")
    hatch_spread_fraction: float = _num(0.030, "SD of hatch in a tank, in fractions of development to hatch")
    button_up_spread_fraction: float = _num(0.080, "SD of button-up in a tank, fractions of hatch to button-up")
    hatch_reader_sd_days: float = _num(0.4, "error of the reader judging that half have hatched, days")
    button_up_reader_sd_days: float = _num(2.0, "error of the reader judging button-up, days")
    eyed_fraction: float = _num(0.47, "fraction of development to hatch at which eyes show")


@dataclass(frozen=True)
class SurvivalPlan:
    """Hazards of death. Egg and alevin hazards run on development, fry hazards on days."""

    egg_hazard: float = _num(0.075, "hazard for the whole of development to hatch (eyed eggs meet about 45 %)")
    green_egg_hazard_ratio: float = _num(2.5, "hazard ratio before the eyes show")
    alevin_hazard: float = _num(0.033, "cumulative hazard from hatch to button-up")
    fry_hazard_per_day: float = _num(0.0006, "hazard of a fry per day, from button-up to release")
    tank_log_hazard_sd: float = _num(0.20, "ordinary spread of tank-seasons, log hazard")
    site_log_hazard_sd: float = _num(0.10, "ordinary spread of sites, log hazard")
    season_log_hazard_sd: float = _num(0.08, "spread of seasons, log hazard")
    region_log_hazard: float = _num(0.0, "effect of a region: none, in truth")
    site_seasons_log_hazard: float = _num(0.0, "effect of a site's experience in seasons: none, in truth")
    keen_site_log_hazard: float = _num(-0.10, "keen sites do slightly better, with or without a logger")
    gravel_log_hazard: float = _num(0.0, "effect of gravel: none, in truth")
    bare_alevin_log_hazard: float = _num(0.10, "bare bottom, alevins: small")
    layered_stones_alevin_log_hazard: float = _num(1.35, "layered stones, alevins: the planted poor practice")
    hallway_log_hazard: float = _num(0.50, "hallway, all stages: the planted poor room")
    no_light_cover_egg_log_hazard: float = _num(0.25, "no light cover, eggs: small")
    no_media_fry_log_hazard: float = _num(0.25, "no filter media carried over, fry")
    warm_reference_c: float = _num(8.5, "daily mean at which warmth neither adds nor takes, °C")
    warm_log_hazard_per_c: float = _num(0.15, "log hazard per °C of daily mean above that, all stages")
    hot_limit_c: float = _num(15.0, "water above which every hour adds hazard, °C")
    hot_hazard_per_hour: float = _num(0.003, "hazard of the first hot hour; grows by 1/24 of itself each hot hour")
    still_water_hazard_per_hour: float = _num(0.006, "hazard of alevins per hour of still water, after 6 h")
    still_water_egg_share: float = _num(0.3, "share of that hazard met by eggs and fry")
    late_feeding_log_hazard_per_day: float = _num(0.08, "log hazard of fry per day fed later than 5 (12 at most)")
    fungus_hazard_per_dead_egg: float = _num(0.00004, "daily hazard of eggs per dead egg left in the water")
    bad_day_probability: float = _num(0.005, "daily chance of a small unexplained die-off")
    bad_day_mean_hazard: float = _num(0.012, "mean hazard of such a day")
    collapse_share: float = _num(0.07, "share of tank-seasons that collapse")
    collapse_beta_b: float = _num(8.0, "survival through a collapse is Beta(1, this)")


@dataclass(frozen=True)
class RecordsPlan:
    """What is seen and written down when nobody makes a mistake."""

    reported_share: float = _num(0.94, "share of ordinary tanks that report to the end")
    reported_share_collapsed: float = _num(0.40, "share of collapsed tanks that report to the end")
    school_day_check_share: float = _num(0.93, "share of school days on which someone looks")
    weekend_check_share: float = _num(0.50, "share of closed days on which someone looks, where there is access")
    dead_found_share: float = _num(0.92, "share of the dead that are found and written down")
    dead_alevins_found_in_stones_share: float = _num(0.45, "the same for alevins in layered stones: hidden deaths")
    daily_style_share: float = _num(0.35, "share of tanks with a row for every look, zero or not")
    weekly_style_share: float = _num(0.20, "share of tanks that write one row a week")
    blank_weekends_share: float = _num(0.60, "share of daily tanks with blank rows at weekends")
    hand_reading_share: float = _num(0.88, "share of looks with a thermometer reading")
    hand_beside_logger_share: float = _num(0.60, "share of logger tanks also read by hand")
    thermometer_offset_sd_c: float = _num(0.40, "spread of sites' thermometers, °C")
    thermometer_error_sd_c: float = _num(0.20, "error of one hand reading, °C")
    logger_offset_sd_c: float = _num(0.15, "spread of loggers, °C")
    f_days_share: float = _num(0.06, "share of deliveries whose thermal units are given in °F·d, and say so")
    stage_recorded_share: float = _num(0.85, "share of stage events written down")
    last_absent_recorded_share: float = _num(0.75, "share of these with the last date not yet seen")
    partial_release_share: float = _num(0.08, "share of tank-seasons releasing in two parts")
    transfer_share: float = _num(0.015, "share of tank-seasons sending fish to another tank of their batch")
    escape_share: float = _num(0.03, "share of tank-seasons losing fish into the filter, mostly unseen")
    escape_seen_share: float = _num(0.30, "share of escapes that someone counts")
    kept_back_share: float = _num(0.04, "share of tanks keeping a few fish back at release")
    sick_share: float = _num(0.02, "share of tanks putting down a few sick fish at release")
    surplus_share: float = _num(0.01, "share of tanks putting down surplus fish, and saying so")
    count_cv_hand_twice: float = _num(0.01, "relative error of eggs counted twice by hand")
    count_cv_hand_once: float = _num(0.03, "relative error of eggs counted once by hand")
    count_cv_volumetric: float = _num(0.06, "relative error of weight, volume and displacement counts")
    volumetric_bias: float = _num(0.05, "volumetric counts are too high by this share")


@dataclass(frozen=True)
class MistakesPlan:
    """Mistakes in the records, as shares of tank-seasons unless said."""

    f_readings_tank_share: float = _num(0.04, "hand readings in °F with the unit blank, all of a tank-season")
    f_readings_row_share: float = _num(0.005, "single hand readings in °F with the unit blank, share of rows")
    f_units_share: float = _num(0.03, "thermal units at delivery in °F·d, called c_days")
    units_restarted_share: float = _num(0.03, "thermal units restarted at delivery")
    day_month_swap_share: float = _num(0.01, "dates of losses, stages, exits and tests with day and month swapped")
    zero_filled_weekends_share: float = _num(0.10, "daily tanks that write 0 on days nobody looked")
    cumulative_dead_share: float = _num(0.03, "dead written as a running total")
    copied_run_share: float = _num(0.06, "the same hand reading copied for weeks")
    set_point_typed_share: float = _num(0.02, "the set point typed in place of the reading")
    copied_forecast_share: float = _num(0.15, "hatch dated by the forecast sheet instead of by looking")
    forecast_declared_share: float = _num(0.30, "share of these that say so")
    id_retyped_share: float = _num(0.18, "returning tanks written under a variant of their label for a season")
    logger_in_air_share: float = _num(0.06, "loggers with days out of the water")
    clock_offset_share: float = _num(0.15, "loggers whose clock is hours off")
    duplicate_upload_share: float = _num(0.02, "files sent twice under another name")
    rejected_rows: int = _num(9, "rows that must be refused, over the programme")
    file_quirks: bool = _num(True, "files come with semicolons, marks, other encodings, preambles and so on")


@dataclass(frozen=True)
class Plan:
    """The whole plan: six parts, each a frozen set of numbers."""

    places: PlacesPlan = field(default_factory=PlacesPlan)
    eggs: EggsPlan = field(default_factory=EggsPlan)
    water: WaterPlan = field(default_factory=WaterPlan)
    development: DevelopmentPlan = field(default_factory=DevelopmentPlan)
    survival: SurvivalPlan = field(default_factory=SurvivalPlan)
    records: RecordsPlan = field(default_factory=RecordsPlan)
    mistakes: MistakesPlan = field(default_factory=MistakesPlan)


@dataclass(frozen=True)
class Shape:
    """How large a programme is, and how its loggers are set."""

    seasons: int = 5
    tanks: int = 90
    regions: int = 4
    logger_interval_minutes: int = 60
    with_readings: bool = True
    """False leaves the temperature table empty: many times quicker where only counts are wanted."""

    @property
    def years(self) -> tuple[int, ...]:
        """The seasons, oldest first."""
        return tuple(range(LAST_SEASON - self.seasons + 1, LAST_SEASON + 1))
