"""Species of a programme's own: declared in its settings, refused with the entry to write otherwise."""

from __future__ import annotations

from pathlib import Path

from tests.intake.conftest import Write

from broodyear.intake import check_paths, load_paths
from broodyear.settings import Settings, Species
from broodyear.store import open_store

DECLARED = Settings(species=(Species("grayling", 400.0, 700.0, 1000.0, ("Wild Grayling",)),))
BATCHES = "batch_id,donor_stock,species,brood_year\nB-8,A,{},2024\nB-9,A,chinook,2024\n"


def test_an_undeclared_species_is_refused_with_the_entry_to_write(write: Write) -> None:
    found = check_paths([write("batches.csv", BATCHES.format("Wild Grayling"))])
    (finding,) = found.findings
    assert finding.rule == "not_allowed"
    assert finding.advice == (
        "Write one of these words, or declare the species, with lines of its own in programme.toml: "
        '[[species]] | code = "wild_grayling" | hatch_c_days = … | button_up_c_days = … | release_c_days = …'
    )


def test_a_declared_species_loads_under_its_code_however_it_is_spelt(write: Write, tmp_path: Path) -> None:
    file = write("batches.csv", BATCHES.format("wild grayling"))
    assert not check_paths([file], settings=DECLARED).findings
    with open_store(tmp_path / "own.duckdb", for_loading=True, settings=DECLARED) as store:
        load_paths(store, [file])
        assert store.table("batches")["species"].tolist() == ["grayling", "chinook"]
