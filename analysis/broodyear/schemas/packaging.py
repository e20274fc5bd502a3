"""The descriptor that makes an exported folder a valid Data Package (open standard)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from broodyear.schemas.declarations import TABLE_NAMES, descriptor

_MEDIA_TYPES = {"csv": "text/csv", "parquet": "application/vnd.apache.parquet"}


def data_package(
    file_format: str, extra_resources: tuple[Mapping[str, Any], ...] = (), species: Sequence[str] = ()
) -> dict[str, Any]:
    """Descriptor of an export: the twelve tables as ``<table>.<file_format>``, then ``extra_resources``.

    species: codes that stand in the store; they are allowed beside the listed ones.
    """
    return {
        "profile": "data-package",
        "name": "broodyear-export",
        "title": "Survival and development records",
        "resources": [
            *(_resource(name, file_format, species) for name in TABLE_NAMES),
            *(dict(resource) for resource in extra_resources),
        ],
    }


def _resource(name: str, file_format: str, species: Sequence[str]) -> dict[str, Any]:
    schema = descriptor(name)
    for field in schema["fields"]:
        if field.get("moreBySettings"):
            field["constraints"]["enum"] = list(dict.fromkeys([*field["constraints"]["enum"], *species]))
    resource: dict[str, Any] = {
        "name": name,
        "path": f"{name}.{file_format}",
        "format": file_format,
        "mediatype": _MEDIA_TYPES[file_format],
        "schema": schema,
    }
    if file_format == "csv":
        resource["profile"] = "tabular-data-resource"
        resource["encoding"] = "utf-8"
    return resource
