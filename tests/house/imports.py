"""Which module imports which: absolute and relative, at any depth of the code, also for types alone."""

from __future__ import annotations

import ast
from collections.abc import Iterator, Mapping
from pathlib import Path


def module_name(path: Path, package: Path) -> str:
    """Dotted name of a module of ``package``; a folder's ``__init__`` has the folder's name."""
    parts = path.relative_to(package.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def import_graph(package: Path) -> dict[str, set[str]]:
    """Module -> the modules of the same package that it imports.

    What a result's ``plot`` imports when it is asked to draw is left out.
    """
    paths = {module_name(path, package): path for path in sorted(package.rglob("*.py"))}
    return {
        name: {found for found in _imported(name, path, paths) if found in paths and found != name}
        for name, path in paths.items()
    }


def _imported(name: str, path: Path, known: Mapping[str, Path]) -> Iterator[str]:
    room = name if path.name == "__init__.py" else name.rpartition(".")[0]
    nodes = list(ast.walk(ast.parse(path.read_text(encoding="utf-8"))))
    plots = [node for node in nodes if isinstance(node, ast.FunctionDef) and node.name == "plot"]
    drawing = {inner for plot in plots for inner in ast.walk(plot)}
    for node in nodes:
        if node in drawing:
            continue
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                above = room.split(".")[: len(room.split(".")) - node.level + 1]
                base = ".".join([*above, *([node.module] if node.module else [])])
            for alias in node.names:
                whole = f"{base}.{alias.name}"
                yield whole if whole in known else base


def circles(graph: Mapping[str, set[str]]) -> list[tuple[str, ...]]:
    """Groups of modules each of which reaches every other of its group by imports, in order of name."""
    reached = {name: _reached(name, graph) for name in graph}
    groups = {
        tuple(sorted(other for other in reached[name] if name in reached[other]))
        for name in graph
        if name in reached[name]
    }
    return sorted(groups)


def _reached(start: str, graph: Mapping[str, set[str]]) -> set[str]:
    found: set[str] = set()
    ahead = [start]
    while ahead:
        new = graph[ahead.pop()] - found
        found |= new
        ahead += new
    return found
