"""Regions compared fairly: what shared batches can tell apart, and what they cannot."""

from __future__ import annotations

from broodyear.regions.accounting import accounting, survival_bounds
from broodyear.regions.compare import RegionComparison, region_comparison
from broodyear.regions.part import region_links

__all__ = ["RegionComparison", "accounting", "region_comparison", "region_links", "survival_bounds"]
