-- acknowledged
--
-- purpose: suspicions somebody at the programme has looked into.
-- grain: one row per rule and tank ('*' for every tank).
-- reads:
-- returns:
--   rule [text]: name of the suspicion, as the check prints it
--   tank_id [code]: the tank it concerns, or *
--   reason [text]: why it is no longer open
WITH final AS (
    SELECT
        unnest($rules::VARCHAR[]) AS rule,
        unnest($tank_ids::VARCHAR[]) AS tank_id,
        unnest($reasons::VARCHAR[]) AS reason
)

SELECT * FROM final ORDER BY rule, tank_id, reason
