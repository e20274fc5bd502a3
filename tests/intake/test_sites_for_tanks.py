"""A school's label where a tank's belongs: what is said names the tanks that stood there, and invents none."""

from __future__ import annotations

from pathlib import Path

import pytest

from broodyear.intake import check_paths

PROGRAMME = {
    "sites": "site_id,region\nHill,east\nDale,east\nBare,east\n",
    "tanks": "tank_id\nT-1\nT-2\nT-3\n",
    "setups": (
        "season,tank_id,site_id,room_type,gravel_practice\n"
        "2023,T-1,Hill,classroom,bare\n2024,T-1,Hill,classroom,bare\n2024,T-2,Hill,classroom,bare\n"
        "2024,T-3,Dale,classroom,bare\n"
    ),
}
EACH = "write one row for each, with what belongs to it alone."
SEVERAL = f"It is a site, where several tanks were set up (T-1, T-2): {EACH}"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name, text in PROGRAMME.items():
        (tmp_path / f"{name}.csv").write_text(text, encoding="utf-8")
    return tmp_path


@pytest.mark.parametrize(
    ("name", "row", "advice"),
    [
        (
            "exits", "hill,2025-05-01,released,280",
            f"{SEVERAL} A number of them all together is of no tank: ask the site for that of each.",
        ),
        ("temperatures", "Hill,2025-01-01,8.1", SEVERAL),
        (
            "exits", "Dale,2025-05-01,released,140",
            "It is a site, and T-3 is the tank that was set up there: write T-3.",
        ),
        (
            "exits", "Bare,2025-05-01,released,140",
            "Correct the code, or send the tanks file that has it, alone or in the same load.",
        ),
    ],
)  # fmt: skip
def test_a_site_in_the_place_of_a_tank_is_told_which_tanks_stood_there(
    folder: Path, name: str, row: str, advice: str
) -> None:
    header = {"exits": "tank_id,exited_on,fate,count", "temperatures": "tank_id,read_at,water_temp"}[name]
    (folder / f"{name}.csv").write_text(f"{header}\n{row}\n", encoding="utf-8")
    (found,) = [one for one in check_paths([folder]).findings if one.level == "error"]
    assert (found.rule, found.advice) == ("unknown_tank", advice)
    assert found.message == f'found "{row.split(",")[0]}"; expected a tank that is in the tanks table'
