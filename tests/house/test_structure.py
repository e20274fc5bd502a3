"""The structure of the house: what lies where, and which way the arrows run."""

from __future__ import annotations

import ast
import re
import subprocess
from pathlib import Path

import pytest
from tests.house.imports import circles, import_graph

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "analysis" / "broodyear"
TOP_LEVEL = {
    "README.md",
    "DEVELOPERS.md",
    "pyproject.toml",
    "analysis",
    "schemas",
    "queries",
    "tests",
    "synthetic_data",
}

#: Each layer may import itself and the layers below it in this list, never one above.
LAYERS = (
    {"__main__"},
    {"cli"},
    {"commands", "store_commands"},
    {"desk"},
    {"demonstration"},
    {"console", "endings"},
    {"reports"},
    {"figures"},
    {"setups", "regions", "trials", "week"},
    {"survival", "development"},
    {"statistics"},
    {"synthetic"},
    {"intake"},
    {"store"},
    {"derived"},
    {"layouts"},
    {"schemas"},
    {"settings", "findings", "outputs"},
    {"workspace", "formulas", "stopping", "clock"},
    {"places", "errors", "claims", "shown", "notes"},
)
#: A module's longest allowed size; a longer one wants to be split.
LONGEST_MODULE_LINES = 400
#: Share of functions of at most thirty lines, as measured in code bases worth learning from.
SHORT_FUNCTION_LINES = 30
LEAST_SHARE_SHORT = 0.9


@pytest.fixture(scope="module")
def imports() -> dict[str, set[str]]:
    """Module -> the modules of the package that it imports."""
    return import_graph(PACKAGE)


def modules() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


def modules_of(room: str) -> list[Path]:
    return sorted((PACKAGE / room).rglob("*.py"))


def layer_of(name: str) -> int | None:
    return next((position for position, layer in enumerate(LAYERS) if name in layer), None)


def tracked_files() -> list[str]:
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if listed.returncode:
        pytest.skip("not a git checkout")
    return listed.stdout.splitlines()


def test_the_top_level_holds_what_the_map_says() -> None:
    top = {name.split("/")[0] for name in tracked_files()}
    assert {name for name in top if not name.startswith(".")} <= TOP_LEVEL


def test_every_module_has_its_layer() -> None:
    names = {path.relative_to(PACKAGE).parts[0].removesuffix(".py") for path in modules()}
    assert {name for name in names - {"__init__"} if layer_of(name) is None} == set()


def room(module: str) -> str:
    """First name below the package: a room, or a module that stands alone."""
    return module.split(".")[1]


def test_arrows_run_one_way(imports: dict[str, set[str]]) -> None:
    # The package's own __init__ names the public functions and imports each when it is first used.
    arrows = [(name, other) for name, found in imports.items() if "." in name for other in found if "." in other]
    upward = [
        f"{name} imports {other}"
        for name, other in arrows
        if (layer_of(room(name)) or 0) > (layer_of(room(other)) or 0)
    ]
    assert upward == []


def test_no_modules_import_each_other_in_a_circle(imports: dict[str, set[str]]) -> None:
    assert circles(imports) == []


def test_no_rooms_import_each_other_in_a_circle(imports: dict[str, set[str]]) -> None:
    rooms: dict[str, set[str]] = {room(name): set() for name in imports if "." in name}
    for name, found in imports.items():
        if "." in name:
            rooms[room(name)] |= {room(other) for other in found if "." in other} - {room(name)}
    assert circles(rooms) == []


def test_imports_of_every_kind_are_seen(tmp_path: Path) -> None:
    files = {
        "__init__.py": "",
        "reports/__init__.py": "from .pages import show",
        "reports/pages.py": "def show():\n    from ..synthetic import simulate",
        "synthetic/__init__.py": "from .. import reports\nfrom . import plan",
        "synthetic/plan.py": "import package.reports.pages",
    }
    for name, text in files.items():
        (tmp_path / "package" / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / "package" / name).write_text(text, encoding="utf-8")
    graph = import_graph(tmp_path / "package")
    assert graph == {
        "package": set(),
        "package.reports": {"package.reports.pages"},
        "package.reports.pages": {"package.synthetic"},
        "package.synthetic": {"package.reports", "package.synthetic.plan"},
        "package.synthetic.plan": {"package.reports.pages"},
    }
    assert circles(graph) == [tuple(sorted(name for name in graph if name != "package"))]


@pytest.mark.parametrize("path", modules(), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_modules_stay_readable(path: Path) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) <= LONGEST_MODULE_LINES


def test_most_functions_are_short() -> None:
    lengths = [
        (node.end_lineno or node.lineno) - node.lineno + 1
        for path in modules()
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.FunctionDef)
    ]
    short = sum(length <= SHORT_FUNCTION_LINES for length in lengths)
    assert short / len(lengths) >= LEAST_SHARE_SHORT, f"{short} of {len(lengths)}"


def test_drawing_is_done_in_figures_alone() -> None:
    for path in modules():
        if path.relative_to(PACKAGE).parts[0] == "figures":
            continue
        text = path.read_text(encoding="utf-8")
        assert "import matplotlib" not in text and "import seaborn" not in text, path.name


def test_temporary_tables_of_a_load_are_listed() -> None:
    made = r"TEMP TABLE ([a-z_]+)|(?:make_cells|made_whole|_keep)\(\s*connection, \"(\w+)\""
    code = "".join(path.read_text(encoding="utf-8") for room in ("intake", "store") for path in modules_of(room))
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").partition("### Temporary tables of a load")[2]
    listed = "".join(re.findall(r"\n\| (`[^|]+) \|", page.partition("\n## ")[0]))
    assert {first or second for first, second in re.findall(made, code)} == set(re.findall(r"`([a-z_]+)`", listed))


def test_a_query_has_a_name_of_its_own_in_all_folders() -> None:
    """`broodyear sql NAME` prints the one of that name."""
    names = [path.stem for path in (ROOT / "queries").rglob("*.sql")]
    assert len(names) > 50 and len(names) == len(set(names))


def test_library_code_does_not_print() -> None:
    speakers = {"__main__.py", "cli.py", "commands.py", "console.py", "endings.py", "store_commands.py"}
    for path in modules():
        calls = [
            node
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "print"
        ]
        assert path.name in speakers or not calls, path.name
