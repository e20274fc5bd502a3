"""Every output is tried against foreign files and against its own, changed since: none is replaced."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from tests.built_once import sample_store, season_report

from broodyear.cli import main
from broodyear.outputs import RECORD

MINE = b"what somebody wrote by hand"

#: Each command that writes a file or a folder, and two of the files that it writes. {out}: the place.
OUTPUTS: dict[str, tuple[str, tuple[str, str]]] = {
    "template": ("template losses stages --out {out}", ("losses.csv", "data_dictionary.md")),
    "check --rejects": ("check {bad} --rejects {out}", ("losses_one.csv", "tanks.csv")),
    "load --rejects": ("load {bad} --rejects {out} --store {spare}", ("losses_one.csv", "tanks.csv")),
    "mend": ("mend --out {out} --store {store}", ("losses_amber.csv", "temperatures_basalt.csv")),
    "verify --rescue": ("verify --rescue {out} --store {store}", ("tanks.csv", "history/uploads.csv")),
    "trial": (
        "trial --factor gravel_practice --levels gravel,bare --out {out}/drawn.csv --store {store}",
        ("drawn.csv",) * 2,
    ),
    "plan": ("plan --species coho --delivered-on 2024-11-08 --units 310 --out {out}/plan.csv", ("plan.csv",) * 2),
    "forecast": (
        "forecast --season 2024 --as-of 2024-12-01 --out {out}/dates.csv --store {store}", ("dates.csv",) * 2,
    ),
    "export": ("export --out {out} --store {store}", ("tanks.csv", "derived/accounting.csv")),
    "report season": (
        "report season --season 2024 --out {out} --store {store}", ("season.html", "tables/setups.csv"),
    ),
    "report week": ("report week --out {out} --store {store}", ("week.html", "tables/watchlist.csv")),
    "report regions": ("report regions --out {out} --store {store}", ("regions.html", "manifest.json")),
    "report development": (
        "report development --out {out} --store {store}", ("development.html", "tables/scores.csv"),
    ),
}  # fmt: skip


@pytest.fixture(scope="module")
def places(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """A store with the sample, room for another, and a folder of files whose rows are rejected."""
    folder = tmp_path_factory.mktemp("places")
    bad = folder / "bad"
    bad.mkdir()
    (bad / "tanks.csv").write_text("tank_id,volume_l\nA,much\n", encoding="utf-8")
    (bad / "losses_one.csv").write_text("tank_id,checked_on,stage,dead\nZ,2024-11-11,egg,1\n", encoding="utf-8")
    return {"store": sample_store(tmp_path_factory), "spare": folder / "spare.duckdb", "bad": bad}


def content(folder: Path) -> dict[str, bytes]:
    return {str(path): path.read_bytes() for path in folder.rglob("*") if path.is_file() and path.name != RECORD}


def foreign(out: Path, name: str) -> None:
    """A file stands where the output would go, and no record knows it."""
    (out / name).write_bytes(MINE)
    record = json.loads((out / RECORD).read_text(encoding="utf-8"))
    del record["written"][name]
    (out / RECORD).write_text(json.dumps(record), encoding="utf-8")


def edited(out: Path, name: str) -> None:
    """What broodyear wrote was changed since."""
    assert (out / name).is_file()
    (out / name).write_bytes((out / name).read_bytes() + MINE)


@pytest.mark.parametrize("output", OUTPUTS)
def test_nothing_is_replaced(
    output: str,
    places: dict[str, Path],
    tmp_path: Path,
    tmp_path_factory: pytest.TempPathFactory,
    capsys: pytest.CaptureFixture[str],
) -> None:
    command, names = OUTPUTS[output]
    made = tmp_path / "made"
    words = command.split()
    if output == "report season":
        shutil.copytree(season_report(tmp_path_factory), made)
    else:
        made.mkdir()
        assert main([word.format(out=made, **places) for word in words]) in {0, 10}
    if not output.startswith(
        ("report", "trial")
    ):  # slow; that a folder is swapped for its successor is tested by itself
        assert main([word.format(out=made, **places) for word in words]) in {0, 10}, "its own output is replaced"
    tries: list[tuple[Callable[[Path, str], None], str]] = [
        (spoil, name) for spoil in (foreign, edited) for name in dict.fromkeys(names)
    ]
    for number, (spoil, name) in enumerate(tries):
        out = tmp_path / f"try_{number}"
        shutil.copytree(made, out)
        spoil(out, name)
        before = content(out)
        capsys.readouterr()
        code = main([word.format(out=out, **places) for word in words])
        said = capsys.readouterr()
        assert (code, said.out) == (2, ""), f"{spoil.__name__} {name}"
        assert f"{out / name} was" in said.err and "othing was replaced" in said.err
        assert content(out) == before


@pytest.mark.parametrize("command", ["check", "load"])
@pytest.mark.parametrize("rejects", ["records", "records/north"])
def test_the_folder_of_rejects_may_not_hold_what_is_read(
    command: str, rejects: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("records/north").mkdir(parents=True)
    Path("records/north/tanks.csv").write_text("tank_id,volume_l\nA,much\n", encoding="utf-8")
    before = content(Path("records"))
    assert main([command, "records", "--rejects", rejects]) == 2
    assert capsys.readouterr().err.startswith(
        f"broodyear: the folder of --rejects, {rejects}, holds records/north/tanks.csv, which is to be read; name "
        "another folder with --rejects"
    )
    assert content(Path("records")) == before


def test_an_edited_demo_is_not_made_anew(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from broodyear.outputs import begin_folder, end_folder

    demo = tmp_path / "demo"
    begin_folder(demo, "demo", ("uploads",))
    (demo / "truth.json").write_text("{}", encoding="utf-8")
    end_folder(demo, "demo")
    edited(demo, "truth.json")
    assert main(["demo", "--out", str(demo), "--seasons", "1", "--tanks", "4"]) == 2
    assert f"{demo / 'truth.json'} was changed after broodyear wrote it" in capsys.readouterr().err
    assert (demo / "truth.json").read_bytes() == b"{}" + MINE
