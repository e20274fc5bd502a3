-- reading
--
-- purpose: how a cell becomes a value: the shapes that are accepted, and what each of them means. The database's own
--   casts are laxer (they take 1_000, inf and 7.6 for a whole number), so a shape is tested first and only then cast.
-- grain: none; these are functions of one cell, which give its value, or NULL where it is blank or cannot be read.
-- reads:
-- returns:

-- Shapes, as regular expressions. The loader's own code reads them from here; it understands texts joined by ||.

CREATE OR REPLACE TEMP MACRO shape_number() AS '[+-]?([0-9]+[.]?[0-9]*|[.][0-9]+)([eE][+-]?[0-9]+)?';
CREATE OR REPLACE TEMP MACRO shape_comma_number() AS '[+-]?([0-9]+[.,]?[0-9]*|[.,][0-9]+)([eE][+-]?[0-9]+)?';
-- With decimal commas, 1.250 may be a thousand and more: too ambiguous to read.
CREATE OR REPLACE TEMP MACRO shape_grouped() AS '[+-]?[0-9]{1,3}([.][0-9]{3})+';
-- A season written as two years on end: 2025/26, 2025-26, 2025/2026.
CREATE OR REPLACE TEMP MACRO shape_season() AS '([0-9]{4})[/–-]([0-9]{4}|[0-9]{2})';
CREATE OR REPLACE TEMP MACRO shape_named_day() AS
    '[0-9]{1,2}(?:st|nd|rd|th)?[ .-]*[A-Za-z]{3,9}[.]?|[A-Za-z]{3,9}[.]? *[0-9]{1,2}(?:st|nd|rd|th)?';
CREATE OR REPLACE TEMP MACRO shape_season_alone() AS '[0-9]{4}[/–-](?:[0-9]{4}|[0-9]{2})';
-- A day with the school year in which it lies behind it: 7 December 2022/23, 7/12/2022 2022/23.
CREATE OR REPLACE TEMP MACRO shape_in_season() AS '(.*[^ ]) +(' || shape_season_alone() || ')';
CREATE OR REPLACE TEMP MACRO shape_iso_day() AS '(?:[0-9]{4}-[0-9]{2}-[0-9]{2}|[0-9]{4}/[0-9]{1,2}/[0-9]{1,2})';
CREATE OR REPLACE TEMP MACRO shape_iso_clock() AS '[Tt ]([01][0-9]|2[0-4]):[0-5][0-9](:[0-5][0-9]([.,][0-9]+)?)?';
CREATE OR REPLACE TEMP MACRO shape_zone() AS ' ?([Zz]|[+-][0-9]{2}(:?[0-9]{2})?)';
CREATE OR REPLACE TEMP MACRO shape_iso_midnight() AS '[Tt ]00:00(:00([.,]0+)?)?';
-- The day of the week before a day whose month has its name: Friday, 6 November 2026.
CREATE OR REPLACE TEMP MACRO shape_weekday() AS
    '(?:[Mm]on|[Tt]ue|[Ww]ed|[Tt]hu|[Ff]ri|[Ss]at|[Ss]un)(?:s|r|rs|nes|ur)?(?:day)?[.,]? +';
-- 06-Nov-26, 6 November 2026, 6th Nov. 2026; Nov 6, 2026; 13.11.2026, 11/13/26
CREATE OR REPLACE TEMP MACRO shape_other_day() AS
    '(?:(?:' || shape_weekday() || ')?'
    || '(?:[0-9]{1,2}(?:st|nd|rd|th)?[ ./-]*[A-Za-z]{3,9}[.,]?[ ./-]*(?:[0-9]{4}|[0-9]{2})|'
    || '[A-Za-z]{3,9}[.]? +[0-9]{1,2}(?:st|nd|rd|th)?,? +[0-9]{4})|'
    || '[0-9]{1,2}[./-][0-9]{1,2}[./-](?:[0-9]{4}|[0-9]{2}))';
CREATE OR REPLACE TEMP MACRO shape_clock() AS '(?:[01]?[0-9]|2[0-4]):[0-5][0-9](?::[0-5][0-9](?:[.,][0-9]+)?)?';
CREATE OR REPLACE TEMP MACRO shape_half_day() AS '(?:0?[1-9]|1[0-2]):[0-5][0-9](?::[0-5][0-9])? ?[AaPp][.]?[Mm][.]?';
CREATE OR REPLACE TEMP MACRO shape_midnight() AS '(?:[T ,]+0?0:00(?::00(?:[.,]0+)?)?)?';
-- Shapes of whole cells: a day in the first group, a clock in the second. The last for files with a layout, whose hours
-- may have one figure or be of the 12-hour clock.
CREATE OR REPLACE TEMP MACRO shape_other_date() AS '(' || shape_other_day() || ')()' || shape_midnight();
CREATE OR REPLACE TEMP MACRO shape_other_moment() AS
    '(' || shape_other_day() || ')(?:[Tt ,]+(' || shape_clock() || '))?';
CREATE OR REPLACE TEMP MACRO shape_any_moment() AS
    '(' || shape_other_day() || '|' || shape_iso_day() || ')(?:[Tt ,]+(' || shape_half_day() || '|' || shape_clock() || '))?';
CREATE OR REPLACE TEMP MACRO shape_short_year() AS '(?:.*[^0-9:])?[0-9]{2}';
-- What a spreadsheet shows in place of a value: an error, or (our own word) a formula never worked out.
CREATE OR REPLACE TEMP MACRO shape_sheet_error() AS
    '#(REF|DIV/0|VALUE|NAME|N/A|NUM|NULL|SPILL|CALC|ERROR|NOT WORKED OUT)[!?]?';

-- Cells. A cleaned cell has no blanks around it; a blank one, and a lone point, is NULL.

CREATE OR REPLACE TEMP MACRO cleaned(cell) AS nullif(cell, '.');

-- For files in which a cell may be an empty text; in which spaces may stand around a cell; and any of some blanks.
CREATE OR REPLACE TEMP MACRO cleaned_filled(cell) AS nullif(nullif(cell, ''), '.');

CREATE OR REPLACE TEMP MACRO cleaned_spaced(cell) AS nullif(nullif(trim(cell), ''), '.');

CREATE OR REPLACE TEMP MACRO cleaned_of(cell, blanks) AS nullif(nullif(trim(cell, blanks), ''), '.');

-- The same, for files in which an apostrophe may guard formula text.
CREATE OR REPLACE TEMP MACRO cleaned_unguarded(cell, blanks) AS
    cleaned_of(regexp_replace(trim(cell, blanks), '^''([=+@\t-])', '\1'), blanks);

-- A code or a text; bad: the characters that it may not hold.
CREATE OR REPLACE TEMP MACRO short_text_in(cell, longest, bad) AS
    CASE
        WHEN length(cell) <= longest
            AND NOT regexp_matches(cell, bad)
            AND NOT (cell GLOB '#*' AND regexp_full_match(cell, shape_sheet_error()))
            THEN cell
    END;

CREATE OR REPLACE TEMP MACRO text_in(cell, longest) AS
    short_text_in(cell, longest, '[\x00-\x1f\x7f-\x9f\x{2028}\x{2029}]');

-- In a code, what nobody sees is bad as well: directions turned about, characters without width, fillers, variation
-- selectors. None of these is in a file of plain ASCII, for which text_in does.
CREATE OR REPLACE TEMP MACRO code_in(cell, longest) AS
    short_text_in(
        cell, longest,
        '[\x00-\x1f\x7f-\x9f\x{2028}\x{2029}]|'
        || '[\p{Cf}\x{034f}\x{115f}\x{1160}\x{17b4}\x{17b5}\x{180b}-\x{180f}\x{3164}\x{ffa0}\x{fe00}-\x{fe0f}]'
    );

CREATE OR REPLACE TEMP MACRO yes_or_no_in(cell) AS
    CASE
        WHEN lower(cell) IN ('yes', 'true', 'y', '1') THEN true
        WHEN lower(cell) IN ('no', 'false', 'n', '0') THEN false
    END;

-- Numbers.

CREATE OR REPLACE TEMP MACRO number_in(cell) AS
    CASE WHEN regexp_full_match(cell, shape_number()) THEN TRY_CAST(cell AS DOUBLE) END;

-- For files without a plus sign: of such cells the cast takes only underscores, nan and inf beyond the shape of a
-- number, and nan and inf fail the check of the range.
CREATE OR REPLACE TEMP MACRO quick_number_in(cell) AS
    CASE WHEN NOT contains(cell, '_') THEN TRY_CAST(cell AS DOUBLE) END;

CREATE OR REPLACE TEMP MACRO comma_number_in(cell) AS
    CASE
        WHEN regexp_full_match(cell, shape_comma_number()) AND NOT regexp_full_match(cell, shape_grouped())
            THEN TRY_CAST(replace(cell, ',', '.') AS DOUBLE)
    END;

CREATE OR REPLACE TEMP MACRO whole_of(number) AS CASE WHEN number = floor(number) THEN TRY_CAST(number AS BIGINT) END;

-- For columns with a largest value: a number too large for a whole one is beyond it, not unreadable.
CREATE OR REPLACE TEMP MACRO bounded_whole_of(number) AS
    CASE WHEN number = floor(number) THEN TRY_CAST(greatest(least(number, 9e18), -9e18) AS BIGINT) END;

CREATE OR REPLACE TEMP MACRO first_year(first, second) AS
    CASE WHEN second IN (first + 1, (first + 1) % 100) THEN first::DOUBLE END;

-- The first of two years on end.
CREATE OR REPLACE TEMP MACRO season_in(cell) AS
    CASE
        WHEN regexp_full_match(cell, shape_season())
            THEN first_year(
                TRY_CAST(regexp_extract(cell, shape_season(), 1) AS INTEGER),
                TRY_CAST(regexp_extract(cell, shape_season(), 2) AS INTEGER)
            )
    END;

-- Days.

-- The words of a day with the month's name, joined by hyphens.
CREATE OR REPLACE TEMP MACRO hyphened(words) AS
    replace(
        regexp_replace(
            regexp_replace(
                regexp_replace(
                    regexp_replace(lower(words), '([0-9])(?:st|nd|rd|th)', '\1'), '([0-9])([a-z])', '\1-\2'
                ),
                '([a-z])([0-9])', '\1-\2'
            ),
            '[ ./,-]+', '-', 'g'
        ),
        'sept-', 'sep-'
    );

-- The day of words with the month's name. Where the day of the week stands before it, both must agree.
CREATE OR REPLACE TEMP MACRO named_day(words) AS
    list_transform(
        [
            try_strptime(
                hyphened(regexp_replace(words, '^' || shape_weekday(), '')),
                [
                    '%d-%b-%y', '%d-%B-%y', '%b-%d-%y', '%B-%d-%y',
                    '%d-%b-%Y', '%d-%B-%Y', '%b-%d-%Y', '%B-%d-%Y'
                ]
            )::DATE
        ],
        lambda day: CASE
            WHEN NOT regexp_matches(words, '^' || shape_weekday()) OR lower(words[:3]) = lower(dayname(day)[:3]) THEN day
        END
    );

-- The days that a text can mean. day_order: what a layout says of figures alone (day_first, month_first, year_first);
-- NULL where nothing says it.
CREATE OR REPLACE TEMP MACRO possible_days(words, day_order) AS
    CASE
        WHEN regexp_full_match(words, shape_iso_day()) THEN [TRY_CAST(words AS DATE)]
        WHEN regexp_matches(words, '[A-Za-z]')
            THEN named_day(words)
        ELSE [
            CASE
                WHEN coalesce(day_order, 'day_first') = 'day_first'
                    THEN try_strptime(regexp_replace(words, '[./-]', '-', 'g'), ['%d-%m-%y', '%d-%m-%Y'])::DATE
            END,
            CASE
                WHEN coalesce(day_order, 'month_first') = 'month_first'
                    THEN try_strptime(regexp_replace(words, '[./-]', '-', 'g'), ['%m-%d-%y', '%m-%d-%Y'])::DATE
            END,
            CASE
                WHEN coalesce(day_order, 'year_first') = 'year_first'
                    THEN try_strptime(regexp_replace(words, '[./-]', '-', 'g'), '%y-%m-%d')::DATE
            END
        ]
    END;

-- A list of one holds a value that is used several times and written once.
CREATE OR REPLACE TEMP MACRO only_day(days) AS
    list_transform([days], lambda those: CASE WHEN len(list_distinct(those)) = 1 THEN list_min(those) END)[1];

-- The day that a text means when it can mean one only. A year in two figures must lie within the programme's seasons,
-- from first_day to last_day; NULL where none is known.
CREATE OR REPLACE TEMP MACRO one_day(words, day_order, first_day, last_day) AS
    only_day(list_filter(
        possible_days(words, day_order),
        lambda day: NOT regexp_full_match(words, shape_short_year())
            OR regexp_full_match(words, shape_iso_day())
            OR day BETWEEN first_day::DATE AND last_day::DATE
    ));

-- A day year first, with midnight at most.
CREATE OR REPLACE TEMP MACRO iso_date_in(cell) AS
    CASE
        WHEN regexp_full_match(cell, shape_iso_day()) OR regexp_full_match(cell, shape_iso_day() || shape_iso_midnight())
            THEN TRY_CAST(regexp_extract(cell, shape_iso_day()) AS DATE)
    END;

-- Moments.

-- A clock, with a blank before it, as the database reads it; blank stays blank.
CREATE OR REPLACE TEMP MACRO clock_text(clock) AS
    CASE
        WHEN clock = '' THEN ''
        WHEN clock GLOB '*[AaPp]*'
            THEN ' ' || strftime(
                try_strptime(upper(replace(replace(clock, '.', ''), ' ', '')), ['%I:%M%p', '%I:%M:%S%p']), '%H:%M:%S'
            )
        ELSE ' ' || CASE WHEN clock GLOB '?:*' THEN '0' ELSE '' END || replace(clock, ',', '.')
    END;

-- A day year first, alone or with a clock. Zones are left off: times are kept as the local times written.
CREATE OR REPLACE TEMP MACRO iso_moment_in(cell) AS
    CASE
        WHEN regexp_full_match(cell, shape_iso_day() || '(' || shape_iso_clock() || ')?')
            THEN TRY_CAST(upper(replace(cell, ',', '.')) AS TIMESTAMP)
        WHEN regexp_full_match(cell, shape_iso_day() || shape_iso_clock() || shape_zone())
            THEN TRY_CAST(
                replace(regexp_extract(cell, '^' || shape_iso_day() || shape_iso_clock()), ',', '.') AS TIMESTAMP
            )
    END;

-- The moment of a cell of another shape (one of the shapes of whole cells).
CREATE OR REPLACE TEMP MACRO other_moment_in(cell, shape, day_order, first_day, last_day) AS
    CASE
        WHEN regexp_full_match(cell, shape)
            THEN list_transform(
                [[regexp_extract(cell, '^' || shape || '$', 1), regexp_extract(cell, '^' || shape || '$', 2)]],
                lambda words: TRY_CAST(
                    strftime(one_day(words[1], day_order, first_day, last_day), '%Y-%m-%d') || clock_text(words[2])
                    AS TIMESTAMP
                )
            )[1]
    END;

-- The moment of a text as loggers write it, with every figure; NULL for all others. The text has no blanks around it.
-- What is as long as such a moment and read as one has all its figures, for the database's reader takes none too
-- many; beside them it passes over further blanks, and over nothing else.
CREATE OR REPLACE TEMP MACRO every_figure(cell, to_the_minute, to_the_second) AS
    CASE strlen(cell)
        WHEN 16 THEN try_strptime(cell, to_the_minute)
        WHEN 19 THEN try_strptime(cell, to_the_second)
    END;

CREATE OR REPLACE TEMP MACRO quick_moment_in(cell) AS
    every_figure(cell, '%Y-%m-%dT%H:%M', '%Y-%m-%dT%H:%M:%S');

-- For files whose cells may hold blanks. A form that a text has not is left out by a look: to try it costs three
-- times as much.
CREATE OR REPLACE TEMP MACRO quick_spaced_moment_in(cell) AS
    CASE
        WHEN contains(cell, '  ') THEN NULL
        WHEN contains(cell, 'T') THEN every_figure(cell, '%Y-%m-%dT%H:%M', '%Y-%m-%dT%H:%M:%S')
        ELSE every_figure(cell, '%Y-%m-%d %H:%M', '%Y-%m-%d %H:%M:%S')
    END;

-- For files of a layout that says in which order day and month stand.
CREATE OR REPLACE TEMP MACRO quick_day_first_moment_in(cell) AS
    CASE
        WHEN contains(cell, '/') AND NOT contains(cell, '  ') AND NOT contains(cell, 'T')
            THEN every_figure(cell, '%d/%m/%Y %H:%M', '%d/%m/%Y %H:%M:%S')
        ELSE quick_spaced_moment_in(cell)
    END;

CREATE OR REPLACE TEMP MACRO quick_month_first_moment_in(cell) AS
    CASE
        WHEN contains(cell, '/') AND NOT contains(cell, '  ') AND NOT contains(cell, 'T')
            THEN every_figure(cell, '%m/%d/%Y %H:%M', '%m/%d/%Y %H:%M:%S')
        ELSE quick_spaced_moment_in(cell)
    END;

-- Changes of the clock, by the two rules most in use: North America (second Sunday of March, first Sunday of November)
-- and the European Union (last Sundays of March and October). Local hours that clocks skip in spring, from 02:00 to
-- 03:00; and that they show twice in autumn: 01:00 in North America, 02:00 in most of the EU.
CREATE OR REPLACE TEMP MACRO clock_skipped(moment) AS
    dayofweek(moment) = 0 AND hour(moment) = 2 AND month(moment) = 3
    AND (day(moment) BETWEEN 8 AND 14 OR day(moment) > 24);

CREATE OR REPLACE TEMP MACRO clock_doubled(moment) AS
    dayofweek(moment) = 0
    AND (
        (hour(moment) = 1 AND month(moment) = 11 AND day(moment) < 8)
        OR (hour(moment) = 2 AND month(moment) = 10 AND day(moment) > 24)
    );
