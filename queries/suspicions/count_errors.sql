-- count_errors
--
-- purpose: how far off a count is, by how it was made: the upper ends of common practice for counts by hand (1 to
--     2 % twice, 3 to 5 % once), and 6 % for the rest, from hatchery inventories 10 to 12 % off at worst.
-- grain: one row per method; a count without a method is taken to be as uncertain as the last.
-- reads:
-- key: count_method
-- returns:
--   count_method [text]: as in deliveries and exits
--   relative_sd [share]: one standard deviation of the count, as a share of it
WITH known (count_method, relative_sd) AS (
    VALUES ('hand_twice', 0.02), ('hand_once', 0.05), ('weight', 0.06), ('volume', 0.06), ('displacement', 0.06)
)

SELECT count_method, relative_sd::DOUBLE AS relative_sd FROM known ORDER BY count_method
