"""The structure of the house: what lies where, and which way the arrows run."""

from __future__ import annotations

import ast
import subprocess
from pathlib import Path

import pytest

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
    {"cli", "parsing"},
    {"commands", "endings", "store_commands"},
    {"desk"},
    {"demonstration"},
    {"console"},
    {"reports"},
    {"figures"},
    {"setups", "regions", "trials", "week"},
    {"survival", "development"},
    {"synthetic"},
    {"derived", "intake", "store"},
    {"layouts"},
    {"schemas"},
    {"settings", "findings", "outputs"},
    {"workspace", "formulas", "stopping"},
    {"places", "errors", "claims"},
)
#: A module's longest allowed size; a longer one wants to be split.
LONGEST_MODULE_LINES = 400
#: Share of functions of at most thirty lines, as measured in code bases worth learning from.
SHORT_FUNCTION_LINES = 30
LEAST_SHARE_SHORT = 0.9


def modules() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


def layer_of(name: str) -> int | None:
    return next((position for position, layer in enumerate(LAYERS) if name in layer), None)


def own_imports(path: Path) -> set[str]:
    """First names below broodyear that a module imports, at any depth of its code.

    What a result's ``plot`` imports when it is asked to draw is left out.
    """
    found = set()
    tree = ast.parse(path.read_text(encoding="utf-8"))
    plots = [node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef) and node.name == "plot"]
    drawing = {id(inner) for plot in plots for inner in ast.walk(plot)}
    for node in (node for node in ast.walk(tree) if id(node) not in drawing):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] == "broodyear":
            parts = node.module.split(".")
            found |= {parts[1]} if len(parts) > 1 else {alias.name for alias in node.names}
        elif isinstance(node, ast.Import):
            found |= {alias.name.split(".")[1] for alias in node.names if alias.name.startswith("broodyear.")}
    return found


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


@pytest.mark.parametrize("path", modules(), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_arrows_run_one_way(path: Path) -> None:
    if path == PACKAGE / "__init__.py":
        return  # it names the public functions and imports each when it is first used
    own = layer_of(path.relative_to(PACKAGE).parts[0].removesuffix(".py"))
    for name in own_imports(path) - {"__version__"}:
        other = layer_of(name)
        assert own is not None and other is not None and other >= own, f"{path.name} imports {name}"


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


def test_library_code_does_not_print() -> None:
    speakers = {"__main__.py", "cli.py", "commands.py", "console.py", "endings.py", "store_commands.py"}
    for path in modules():
        calls = [
            node
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "print"
        ]
        assert path.name in speakers or not calls, path.name
