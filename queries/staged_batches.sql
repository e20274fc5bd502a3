-- staged_batches
--
-- purpose: the egg batches as they now read.
-- grain: one row per batch.
-- reads: batches
-- key: batch_id
-- returns:
--   batch_id [code]: batch
--   donor_stock [code]: stock the parents came from
--   species [text]: species
--   brood_year [year]: year the parents spawned
--   spawned_on [date]: spawning date, the middle one when pooled
--   females_pooled [count]: females whose eggs were pooled
--   green_to_eyed_pct [%]: survival from green to eyed at the hatchery
WITH batches_as_read AS (SELECT * FROM batches),

final AS (
    SELECT
        batch_id,
        donor_stock,
        species::VARCHAR AS species,
        brood_year,
        spawned_on,
        females_pooled,
        green_to_eyed_pct
    FROM batches_as_read
)

SELECT * FROM final ORDER BY batch_id
