"""The folder reproduce/: the records behind the page as a Data Package, and a script that makes the tables again.

The package (the open standard of datapackage.json) holds the derived tables that everything is worked out from,
the settings and the models given, and nothing else: no free text of any upload.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

import broodyear
from broodyear.derived import query_named
from broodyear.reports.development.gathering import Records
from broodyear.reports.rendering import TEMPLATES
from broodyear.settings import Settings, settings_from

if TYPE_CHECKING:
    from broodyear.development import DevelopmentModel

FOLDER = "reproduce"
#: Columns that the validation and the example of a forecast read; all of observed_stages.
_READ = {
    "daily_temperature": ("season", "tank_id", "day", "water_temp_c", "source", "instrument", "se_c"),
    "tank_seasons": (
        "season", "tank_id", "site_id", "region", "weekend_access", "species", "batch_id", "donor_stock", "lot_id",
        "delivered_on", "stage_at_delivery", "units_at_delivery_c_days", "hatchery_temp_c", "set_point_c",
        "closed_on",
    ),
}  # fmt: skip
#: Kinds of the open standard by the kinds of a frame's columns.
_TYPES = {"b": "boolean", "i": "integer", "u": "integer", "f": "number", "M": "date"}


def frozen_files(records: Records) -> dict[str, bytes]:
    """Files of reproduce/ by their place in the report's folder."""
    files, resources = {}, []
    for name, frame in records.frames.items():
        frame = frame.loc[:, list(_READ.get(name, frame.columns))]
        files[f"{FOLDER}/{name}.csv"] = frame.to_csv(index=False, lineterminator="\n").encode()
        resources.append(_resource(name, frame))
    package = {
        "profile": "tabular-data-package",
        "name": "development-report-records",
        "title": "Records behind a validation of thermal-unit models",
        "broodyear": {
            "version": broodyear.__version__,
            "settings": _kept(records.settings),
            "models": [plain_model(model) for model in records.models],
        },
        "resources": resources,
    }
    files[f"{FOLDER}/datapackage.json"] = (json.dumps(package, ensure_ascii=False, indent=1) + "\n").encode()
    files[f"{FOLDER}/reproduce.py"] = (TEMPLATES / "development" / "reproduce.py.txt").read_bytes()
    return files


def frozen_records(folder: Path) -> Records:
    """The records of a folder reproduce/, as they were."""
    from broodyear.development import DevelopmentModel

    package = json.loads((folder / "datapackage.json").read_text(encoding="utf-8"))
    frames = {resource["name"]: _read(folder / resource["path"], resource) for resource in package["resources"]}
    kept = package["broodyear"]
    settings = settings_from(kept["settings"], "datapackage.json")
    return Records(frames, settings, tuple(DevelopmentModel(**model) for model in kept["models"]))


def _resource(name: str, frame: pd.DataFrame) -> dict[str, Any]:
    meanings = {one.name: f"{one.meaning} [{one.unit}]" for one in query_named(name).returns}
    fields = [
        {"name": column, "type": _TYPES.get(frame[column].dtype.kind, "string"), "description": meanings[column]}
        for column in frame.columns
    ]
    return {
        "profile": "tabular-data-resource", "name": name, "path": f"{name}.csv", "format": "csv",
        "mediatype": "text/csv", "encoding": "utf-8", "schema": {"fields": fields},
    }  # fmt: skip


def _read(path: Path, resource: Mapping[str, Any]) -> pd.DataFrame:
    """A frozen table with the kinds it had: numbers to the last bit, days as days."""
    text = pd.read_csv(path, dtype="str", keep_default_na=False, na_values=[""])
    fields_of = resource["schema"]["fields"]
    return pd.DataFrame({field["name"]: _typed(text[field["name"]], field["type"]) for field in fields_of})


def _typed(text: pd.Series, kind: str) -> pd.Series:
    is_whole = not text.isna().any()
    if kind == "date":
        return pd.to_datetime(text)
    if kind == "number":
        return text.map(float).astype("float64")  # a reader of tables may round the last bit
    if kind == "integer":
        return text.map(int).astype("int64") if is_whole else text.astype("Int64")
    if kind == "boolean":
        parsed = text.map({"True": True, "False": False})
        return parsed.astype("bool" if is_whole else "boolean")
    return text


def _kept(settings: Settings) -> dict[str, Any]:
    """The limits and declared species of the settings; what people acknowledged or renamed is in the records."""
    given = asdict(settings)
    return {name: value for name, value in given.items() if name == "species" or isinstance(value, int | float)}


def plain_model(model: DevelopmentModel) -> dict[str, Any]:
    """The fields of a model that make it again."""
    given = {one.name: getattr(model, one.name) for one in fields(model) if one.init}
    covariance = None if model.covariance is None else model.covariance.tolist()
    return given | {"coefficients": dict(model.coefficients), "covariance": covariance}
