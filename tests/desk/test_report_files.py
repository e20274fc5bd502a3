"""Report files are served as they lie, and nothing beside them."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from pathlib import Path

import pytest
from tests.desk.conftest import let_in

from broodyear.desk import reports_pages
from broodyear.desk.state import Desk

MakeDesk = Callable[..., Desk]


@pytest.fixture
def root(tmp_path: Path) -> Path:
    folder = tmp_path / "desk" / "reports" / "season_2024"
    (folder / "tables").mkdir(parents=True)
    (folder / "season.html").write_text("<title>Season &amp; more</title><p>page", encoding="utf-8")
    (folder / "tables" / "setups.csv").write_text("a\n=1+1\n", encoding="utf-8")
    (folder / "secret.key").write_text("key", encoding="utf-8")
    (folder / ".hidden.html").write_text("hidden", encoding="utf-8")
    (folder / "manifest.json").write_text(
        json.dumps({"report": "season", "parameters": {"season": 2024}}), encoding="utf-8"
    )
    (tmp_path / "desk" / "outside.html").write_text("outside", encoding="utf-8")
    (tmp_path / "desk" / "reports" / "loose.html").write_text("loose", encoding="utf-8")
    return folder.parent


def test_files_of_a_report_are_found(root: Path) -> None:
    assert reports_pages.find(root, "season_2024", "season.html") == root / "season_2024" / "season.html"
    assert reports_pages.find(root, "season_2024", "tables/setups.csv") is not None


MALFORMED = [
    "", "{", "[]", "null", "3", '{"report": ["season"]}', '{"report": {}}',
    '{"report": "season", "parameters": []}', '{"report": "season", "parameters": {"season": {"a": 1}}}', "\xff",
    '{"report": "season", "parameters": null}',
]  # fmt: skip


@pytest.mark.parametrize("text", MALFORMED)
def test_a_malformed_manifest_makes_no_page_fail(root: Path, make_desk: MakeDesk, text: str) -> None:
    (root / "season_2024" / "manifest.json").write_text(text, encoding="latin-1")
    client = let_in(make_desk())
    assert client.get("/reports").status_code == 200
    assert client.get("/reports/files/season_2024/").status_code == 200


@pytest.mark.parametrize(
    ("name", "inside"),
    [
        ("season_2024", "../../outside.html"),
        ("season_2024", "../loose.html"),
        ("season_2024", "tables/../season.html"),
        ("season_2024", "/etc/passwd"),
        ("season_2024", "secret.key"),
        ("season_2024", ".hidden.html"),
        ("season_2024", "tables"),
        ("season_2024", "tables//setups.csv"),
        ("season_2024", "..\\..\\outside.html"),
        ("season_2024", "season.html\0.csv"),
        ("season_2024", "x" * 5000),
        ("..", "outside.html"),
        (".", "loose.html"),
        ("", "loose.html"),
        ("nowhere", "season.html"),
    ],
)
def test_nothing_else_is_found(root: Path, name: str, inside: str) -> None:
    assert reports_pages.find(root, name, inside) is None


def test_links_that_lead_out_are_not_followed(root: Path, tmp_path: Path) -> None:
    os.symlink(tmp_path / "desk" / "outside.html", root / "season_2024" / "link.html")
    os.symlink(tmp_path / "desk", root / "elsewhere")
    assert reports_pages.find(root, "season_2024", "link.html") is None
    assert reports_pages.find(root, "elsewhere", "outside.html") is None


def test_reports_are_told_by_their_manifest(root: Path) -> None:
    (root / "something").mkdir()
    (found,) = reports_pages.made_reports(root)
    assert (found.title, found.page) == ("Review of season 2024/25", "season.html")
    titles = {file["name"]: file["title"] for file in reports_pages.listed(found.folder)}
    assert titles["season.html"] == "Season & more" and titles["tables/setups.csv"] == "tables/setups.csv"


@pytest.mark.parametrize(
    "path",
    [
        "season_2024/..%2f..%2foutside.html",
        "season_2024/%2e%2e/%2e%2e/outside.html",
        "%2e%2e/outside.html",
        "season_2024/",
    ],
)
def test_addresses_that_lead_out_find_nothing(make_desk: MakeDesk, root: Path, path: str) -> None:
    client = let_in(make_desk())
    answer = client.get(f"/reports/open/{path}")
    assert answer.status_code in {308, 404} and b"outside" not in answer.data


def test_a_page_is_served_as_it_lies_and_may_run_one_script(make_desk: MakeDesk, root: Path) -> None:
    client = let_in(make_desk())
    page = client.get("/reports/open/season_2024/season.html", buffered=True)
    assert page.data == (root / "season_2024" / "season.html").read_bytes()
    policy = page.headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy and "script-src 'sha256-" in policy and "form-action 'none'" in policy
    table = client.get("/reports/open/season_2024/tables/setups.csv", buffered=True)
    assert table.headers["Content-Disposition"].startswith("attachment")
