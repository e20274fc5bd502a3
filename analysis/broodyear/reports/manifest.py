"""Which records, settings and software made a report: enough to make it again, and nothing that changes by itself.

No clock is read: the same store and settings give the same bytes.
"""

from __future__ import annotations

import hashlib
import json
import platform
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from importlib.metadata import version
from pathlib import PurePath
from typing import Any

import pandas as pd

import broodyear
from broodyear.reports.tables import ReportTable
from broodyear.settings import Settings

#: Packages whose version can change a number or a picture.
PACKAGES = ("duckdb", "formulaic", "jinja2", "matplotlib", "numpy", "pandas", "scipy")

_UPLOAD_FIELDS = (
    "upload",
    "table",
    "sha256",
    "rows_read",
    "rows_accepted",
    "rows_rejected",
    "rows_to_mend",
    "withdrawn",
)


@dataclass(frozen=True)
class Manifest:
    """What a report was made from.

    report: its name; command: as typed, or empty; settings; uploads: frame of the store's uploads; seed: of the
    random numbers used, None when none were; parameters: of this report, such as its season.
    """

    report: str
    command: str
    settings: Settings
    uploads: pd.DataFrame
    parameters: Mapping[str, Any]
    seed: int | None = None


def manifest_text(manifest: Manifest, written: Mapping[str, bytes], tables: Sequence[ReportTable]) -> str:
    """The manifest as JSON. written: content by file name; tables: for their row counts."""
    content = {
        "report": manifest.report,
        "parameters": dict(manifest.parameters),
        "command": manifest.command,
        "settings": asdict(manifest.settings),
        "seed": manifest.seed,
        "software": {
            "broodyear": broodyear.__version__,
            "python": platform.python_version(),
            **{name: version(name) for name in PACKAGES},
        },
        "generated_from": _uploads(manifest.uploads),
        "rows_to_mend": int(manifest.uploads.get("rows_to_mend", pd.Series(dtype=int)).sum()),
        "rows": {table.name: len(table) for table in tables},
        "refused": {table.name: table.refusal for table in tables if table.refusal},
        "outputs": {name: hashlib.sha256(content).hexdigest() for name, content in sorted(written.items())},
    }
    return json.dumps(content, ensure_ascii=False, indent=1, sort_keys=False) + "\n"


def _uploads(uploads: pd.DataFrame) -> list[dict[str, Any]]:
    """Each upload by file name (never its folder), bytes and rows; when it was loaded is left out on purpose."""
    listed = []
    for row in uploads.to_dict("records"):
        kept = {name: _plain(row[name]) for name in _UPLOAD_FIELDS if name in row}
        listed.append({"file": PurePath(str(row["path"]).replace("\\", "/")).name, **kept})
    return listed


def _plain(value: Any) -> Any:
    return value.item() if hasattr(value, "item") else value
