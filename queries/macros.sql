-- macros
--
-- purpose: the few conversions every query shares, so that each is written once.
-- grain: none; these are functions.
-- reads: settings
-- returns:

-- The season a date belongs to: the year in which the programme's year then running began.
CREATE OR REPLACE TEMP MACRO season_of(d) AS
    year(d) - CASE
        WHEN month(d) * 100 + day(d) < (SELECT season_start_month * 100 + season_start_day FROM settings) THEN 1
        ELSE 0
    END;

-- Water temperature in °C from a reading in the unit written beside it.
CREATE OR REPLACE TEMP MACRO celsius(water_temp, unit) AS
    CASE WHEN unit = 'F' THEN (water_temp - 32.0) / 1.8 ELSE water_temp END;

-- Thermal units in °C·d; °F units count degrees above 32 °F, so 900 of them are 500 °C·d.
CREATE OR REPLACE TEMP MACRO celsius_days(thermal_units, unit) AS
    CASE WHEN unit = 'f_days' THEN thermal_units / 1.8 ELSE thermal_units END;

-- A share as a percentage, NULL when there is nothing to divide by.
CREATE OR REPLACE TEMP MACRO pct(part, whole) AS
    CASE WHEN whole > 0 THEN 100.0 * part / whole END;

-- How many of a tank's eggs can be alive at most, when so many dead were counted there; running totals say nothing.
CREATE OR REPLACE TEMP MACRO alive_at_most(eggs, dead, are_running_totals) AS
    greatest(eggs - CASE WHEN are_running_totals THEN 0 ELSE coalesce(dead, 0) END, 0);

-- Whether more were counted than there can be, beyond three standard deviations of the counting error. Two of them would
-- leave out one in forty of the tanks that lost nothing, and so make survival look worse than it is.
CREATE OR REPLACE TEMP MACRO beyond_counting(counted, possible, counting_sd) AS
    coalesce(counted > possible + 3.0 * counting_sd, false);

-- Part of the day that is still to come at a moment; half of it when the hour is not known.
CREATE OR REPLACE TEMP MACRO share_of_day_left(moment, has_hour) AS
    CASE WHEN has_hour THEN 1.0 - (epoch(moment) - epoch(date_trunc('day', moment))) / 86400.0 ELSE 0.5 END;

-- A label without what people vary when they retype it: case, blanks, punctuation, leading zeros. Two numbers stay
-- apart, for 1-12 and 11-2 are two labels.
CREATE OR REPLACE TEMP MACRO plain_label(label) AS
    regexp_replace(
        regexp_replace(
            regexp_replace(
                trim(regexp_replace(lower(label), '[^\p{L}\p{N}]+', ' ', 'g')),
                '(\p{L}) ', '\1', 'g'
            ),
            ' (\p{L})', '\1', 'g'
        ),
        '(^|[^0-9])0+([0-9])', '\1\2', 'g'
    );

-- The words of a label in small letters, each with the full stop that cuts it short; numbers without leading zeros.
CREATE OR REPLACE TEMP MACRO label_words(label) AS
    list_transform(
        regexp_extract_all(lower(label), '\p{L}+[.]?|[0-9]+'),
        lambda word: regexp_replace(word, '^0+([0-9])', '\1')
    );

-- Words without those that are cut short.
CREATE OR REPLACE TEMP MACRO whole_words(words) AS list_filter(words, lambda word: NOT suffix(word, '.'));

-- What lists of words that agree have in common: first letters, and numbers.
CREATE OR REPLACE TEMP MACRO word_initials(words) AS
    array_to_string(
        list_transform(words, lambda word: CASE WHEN word GLOB '[0-9]*' THEN word ELSE left(word, 1) END), ' '
    );

-- Whether two lists of as many words can be one label: each word is the other's, or is cut short and begins it.
CREATE OR REPLACE TEMP MACRO words_agree(words, others) AS
    len(words) = len(others)
    AND coalesce(
        list_bool_and(
            list_transform(
                list_zip(words, others),
                lambda pair: rtrim(pair[1], '.') = rtrim(pair[2], '.')
                    OR (suffix(pair[1], '.') AND starts_with(pair[2], rtrim(pair[1], '.')))
                    OR (suffix(pair[2], '.') AND starts_with(pair[1], rtrim(pair[2], '.')))
            )
        ),
        false
    );
