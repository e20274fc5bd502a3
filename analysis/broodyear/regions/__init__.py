"""Regions compared fairly: what shared batches can tell apart, and what they cannot."""

from __future__ import annotations

from broodyear.regions.compare import RegionComparison, low_regions, region_comparison
from broodyear.regions.part import region_links

__all__ = ["RegionComparison", "low_regions", "region_comparison", "region_links"]
