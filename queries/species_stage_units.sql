-- species_stage_units
--
-- purpose: nominal thermal units from fertilisation to each stage, used only to bound exposure windows, so that a
--     window never ends at the observed date of the outcome it is meant to explain. Those that the settings declare
--     for a species stand in place of published ones.
-- grain: one row per species and stage; a species without a row gets no windows.
-- reads:
-- key: species, stage
-- returns:
--   species [text]: as in the batches table
--   stage [text]: eyed, hatch, button_up, release
--   units_c_days [°C·d]: nominal thermal units above 0 °C since fertilisation, those of the species' default model
--     at 8 °C where it has one
--   source [text]: citation
--   trust [text]: SEEN read in the source; SEEN-2 read in an open data set that cites it; MEMORY recalled, not
--     seen; MEMORY-LOW recalled and unsure; DERIVED arithmetic on another row; PRACTICE common practice, no source;
--     DECLARED in the programme's settings
WITH published (species, stage, units_c_days, source, trust) AS (
    VALUES
    ('chinook', 'eyed', 250.0, 'general recollection of Pacific hatchery ranges', 'MEMORY-LOW'),
    ('chinook', 'hatch', 568.0, 'Heming 1982 Can J Fish Aquat Sci 39:184-190, 8 °C', 'SEEN-2'),
    ('chinook', 'button_up', 968.0,
     'Beacham & Murray 1990 Trans Am Fish Soc 119:927-945, 50 % emergence at 8 °C', 'SEEN-2'),
    ('coho', 'eyed', 235.0, 'general recollection of Pacific hatchery ranges, 220-250', 'MEMORY-LOW'),
    ('coho', 'hatch', 475.0, 'general recollection of Pacific hatchery ranges, 450-500', 'MEMORY-LOW'),
    ('coho', 'button_up', 669.3, 'Beacham, Withler & Morley 1985 Can J Zool 63:847-850, 4.6 °C', 'SEEN-2'),
    ('chum', 'eyed', 325.0, 'a public incubation page of a volunteer group, 300-350', 'SEEN'),
    ('chum', 'hatch', 500.0, 'general recollection of Pacific hatchery ranges, 475-525', 'MEMORY-LOW'),
    ('chum', 'button_up', 950.0, 'general recollection of Pacific hatchery ranges, 900-1000', 'MEMORY-LOW'),
    ('pink', 'eyed', 223.0, 'study of yolk coagulation after shock, pink salmon at 12 °C', 'MEMORY'),
    ('pink', 'hatch', 600.0, 'general recollection of Pacific hatchery ranges, 550-650', 'MEMORY-LOW'),
    ('pink', 'button_up', 1012.7,
     'fit to Groot 1996 in Principles of Salmonid Culture, emergence, at 8 °C', 'DERIVED'),
    ('sockeye', 'eyed', 300.0, 'general recollection of Pacific hatchery ranges, 250-350', 'MEMORY-LOW'),
    ('sockeye', 'hatch', 644.3,
     'fit to Murray & McPhail 1988 and Beacham & Murray 1990, 50 % hatch, at 8 °C', 'DERIVED'),
    ('sockeye', 'button_up', 850.0, 'Holder 1986 thesis, University of Alaska, median 842-857 in boxes', 'SEEN-2'),
    ('rainbow_trout', 'eyed', 190.0, 'From & Rasmussen 1991 Dana 9:31-38, 10 °C', 'SEEN-2'),
    ('rainbow_trout', 'hatch', 340.0, 'Crisp 1981 Freshw Biol 11:361-368 at 8 °C', 'MEMORY'),
    ('rainbow_trout', 'button_up', 579.0, '1.7 × hatch, Crisp 1988 Freshw Biol 19:41-48', 'DERIVED'),
    ('atlantic_salmon', 'eyed', 249.0, 'half of hatch, Crisp 1988 Freshw Biol 19:41-48', 'DERIVED'),
    ('atlantic_salmon', 'hatch', 498.0, 'Crisp 1981 Freshw Biol 11:361-368 at 8 °C', 'MEMORY'),
    ('atlantic_salmon', 'button_up', 847.0, '1.7 × hatch, Crisp 1988 Freshw Biol 19:41-48', 'DERIVED'),
    ('brown_trout', 'eyed', 225.0, 'half of hatch, Crisp 1988 Freshw Biol 19:41-48', 'DERIVED'),
    ('brown_trout', 'hatch', 450.0,
     'Crisp 1981 Freshw Biol 11:361-368 at 8 °C; one study saw 347 (Debowski et al. 2006)', 'MEMORY'),
    ('brown_trout', 'button_up', 765.0, '1.7 × hatch, Crisp 1988 Freshw Biol 19:41-48', 'DERIVED'),
    ('brook_trout', 'eyed', 245.0, 'Bascinar & Okumus 2004 Turk J Vet Anim Sci 28:297-301', 'SEEN'),
    ('brook_trout', 'hatch', 415.0, 'Bascinar & Okumus 2004 Turk J Vet Anim Sci 28:297-301', 'SEEN'),
    ('brook_trout', 'button_up', 675.0, 'Bascinar & Okumus 2004 Turk J Vet Anim Sci 28:297-301', 'SEEN'),
    ('arctic_charr', 'eyed', 187.0, 'half of hatch, Crisp 1988 Freshw Biol 19:41-48', 'DERIVED'),
    ('arctic_charr', 'hatch', 374.0, 'Yanik et al. 2002 Isr J Aquacult 54(2):73, 8.5 °C', 'SEEN-2'),
    ('arctic_charr', 'button_up', 600.0, 'Yanik et al. 2002 Isr J Aquacult 54(2):73, hatch + 213-238', 'DERIVED')
),

-- No source tells when a programme releases: about five weeks of feeding at 11 °C after button-up.
release AS (
    SELECT
        species,
        'release' AS stage,
        units_c_days + 400.0 AS units_c_days,
        'button-up + 400 °C·d, common practice, no source' AS source,
        'PRACTICE' AS trust
    FROM published
    WHERE stage = 'button_up'
),

own AS (
    SELECT
        unnest($species_code::VARCHAR[]) AS species,
        unnest($species_hatch_c_days::DOUBLE[]) AS hatch_c_days,
        unnest($species_button_up_c_days::DOUBLE[]) AS button_up_c_days,
        unnest($species_release_c_days::DOUBLE[]) AS release_c_days
),

declared (species, stage, units_c_days, source, trust) AS (
    SELECT species, 'eyed', hatch_c_days / 2.0, 'half of hatch, Crisp 1988 Freshw Biol 19:41-48', 'DERIVED' FROM own
    UNION ALL
    SELECT species, 'hatch', hatch_c_days, 'the settings', 'DECLARED' FROM own
    UNION ALL
    SELECT species, 'button_up', button_up_c_days, 'the settings', 'DECLARED' FROM own
    UNION ALL
    SELECT species, 'release', release_c_days, 'the settings', 'DECLARED' FROM own
),

listed AS (
    SELECT * FROM published
    UNION ALL
    SELECT * FROM release
),

final AS (
    SELECT species, stage, units_c_days::DOUBLE AS units_c_days, source, trust FROM declared
    UNION ALL
    SELECT species, stage, units_c_days::DOUBLE, source, trust FROM listed ANTI JOIN own USING (species)
)

SELECT * FROM final ORDER BY species, units_c_days
