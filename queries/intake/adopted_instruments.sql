-- adopted_instruments
--
-- purpose: the instrument of readings that come again without saying by which they were read: the one that read then,
--   where there is only one. A tank of which the file brings a moment that nobody has read yet is read by an instrument
--   of its own there: a logger's export and the readings of a thermometer may share some minutes.
-- grain: one row per reading of the file that is of another instrument than its default.
-- reads: read_then, checked
-- returns:
--   tank_id [code]: tank
--   read_at [local time]: moment
--   read_at_has_hour [true/false]: whether its hour is known
--   instrument [text]: the instrument that read then
WITH one AS (
    SELECT tank_id, read_at, read_at_has_hour, any_value(instrument) AS instrument
    FROM read_then
    GROUP BY ALL
    HAVING count(DISTINCT instrument) = 1
),

own AS (
    SELECT DISTINCT tank_id
    FROM checked
    ANTI JOIN read_then USING (tank_id, read_at, read_at_has_hour)
    WHERE NOT broken
)

SELECT DISTINCT tank_id, read_at, read_at_has_hour, one.instrument
FROM one
JOIN checked USING (tank_id, read_at, read_at_has_hour)
WHERE checked.instrument::VARCHAR <> one.instrument AND tank_id NOT IN (SELECT tank_id FROM own)
