-- staged_tanks
--
-- purpose: the physical tanks as they now read.
-- grain: one row per tank.
-- reads: tanks
-- key: tank_id
-- returns:
--   tank_id [code]: tank
--   volume_l [L]: water volume
--   chiller_year [year]: year the chiller was put in service
--   filter_kind [text]: kind of filter
WITH tanks_as_read AS (SELECT * FROM tanks),

final AS (
    SELECT tank_id, volume_l, chiller_year, filter_kind::VARCHAR AS filter_kind FROM tanks_as_read
)

SELECT * FROM final ORDER BY tank_id
