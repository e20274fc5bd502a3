-- school_years
--
-- purpose: days with the school year in which they lie behind them, as files with a layout may have them: apart, for
--   the database takes a third as long to make these functions ready as all others by which cells are read.
-- grain: none; these are functions of one cell, which give its value, or NULL where it is blank or cannot be read.
-- reads:
-- returns:

-- A day with its month in words and no year, in a year.
CREATE OR REPLACE TEMP MACRO named_day_in(words, in_year) AS
    CASE
        WHEN regexp_full_match(words, shape_named_day())
            THEN try_strptime(
                hyphened(words || '-' || in_year), ['%d-%b-%Y', '%d-%B-%Y', '%b-%d-%Y', '%B-%d-%Y']
            )::DATE
    END;

-- The days that figures alone, 26/11 or 26.11., can mean in a year; day_order as in possible_days.
CREATE OR REPLACE TEMP MACRO figured_days_in(words, in_year, day_order) AS
    CASE
        WHEN regexp_full_match(words, '[0-9]{1,2}[./-][0-9]{1,2}[.]?')
            THEN possible_days(rtrim(words, '.') || '/' || in_year, nullif(day_order, 'year_first'))
        ELSE []
    END;

-- The day of a cell with a school year behind it, when the school year has one such day. A season begins on the day
-- and month of season_start.
CREATE OR REPLACE TEMP MACRO season_day_in(cell, day_order, first_day, last_day, season_start) AS
    CASE
        WHEN regexp_full_match(cell, shape_in_season())
            THEN list_transform(
                [{
                    'day': regexp_extract(cell, shape_in_season(), 1),
                    'year': season_in(regexp_extract(cell, shape_in_season(), 2))::INTEGER
                }],
                lambda said: only_day(list_filter(
                    [
                        iso_date_in(said.day),
                        other_moment_in(said.day, shape_other_date(), day_order, first_day, last_day)::DATE,
                        named_day_in(said.day, said.year),
                        named_day_in(said.day, said.year + 1)
                    ]
                    || figured_days_in(said.day, said.year, day_order)
                    || figured_days_in(said.day, said.year + 1, day_order),
                    lambda day: day >= make_date(said.year, month(season_start::DATE), day(season_start::DATE))
                        AND day < make_date(said.year + 1, month(season_start::DATE), day(season_start::DATE))
                ))
            )[1]
    END;
