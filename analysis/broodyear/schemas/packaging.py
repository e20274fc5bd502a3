"""The descriptor that makes an exported folder a valid Data Package (open standard)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from broodyear.schemas.declarations import TABLE_NAMES, descriptor

_MEDIA_TYPES = {"csv": "text/csv", "parquet": "application/vnd.apache.parquet"}


def data_package(file_format: str, extra_resources: tuple[Mapping[str, Any], ...] = ()) -> dict[str, Any]:
    """Descriptor of an export: the twelve tables as ``<table>.<file_format>``, then ``extra_resources``."""
    return {
        "profile": "data-package",
        "name": "broodyear-export",
        "title": "Survival and development records",
        "resources": [
            *(_resource(name, file_format) for name in TABLE_NAMES),
            *(dict(resource) for resource in extra_resources),
        ],
    }


def _resource(name: str, file_format: str) -> dict[str, Any]:
    resource: dict[str, Any] = {
        "name": name,
        "path": f"{name}.{file_format}",
        "format": file_format,
        "mediatype": _MEDIA_TYPES[file_format],
        "schema": descriptor(name),
    }
    if file_format == "csv":
        resource["profile"] = "tabular-data-resource"
        resource["encoding"] = "utf-8"
    return resource
