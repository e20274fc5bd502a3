"""Where the declarations and queries lie, in a checkout and in an installed wheel."""

from __future__ import annotations

from pathlib import Path

PACKAGE = Path(__file__).resolve().parent


def data_folder(name: str) -> Path:
    """Folder ``name`` of the project ("schemas" or "queries").

    A wheel carries the folders inside the package; a checkout has them two levels above it.
    Raises FileNotFoundError when the installation is incomplete.
    """
    for folder in (PACKAGE / "_data" / name, PACKAGE.parents[1] / name):
        if folder.is_dir():
            return folder
    raise FileNotFoundError(f"the folder {name!r} that belongs to broodyear is missing; install it again")


def schemas_folder() -> Path:
    """Folder of the table declarations (Table Schema, JSON)."""
    return data_folder("schemas")


def queries_folder() -> Path:
    """Folder of the result queries (SQL)."""
    return data_folder("queries")
