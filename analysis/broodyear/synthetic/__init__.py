"""A seeded simulator of an invented programme: its records with their mistakes, and the truth beside them.

>>> from broodyear.synthetic import simulate, write_uploads, write_truth
>>> programme = simulate(1, seasons=5, tanks=90, regions=4)
>>> write_uploads(programme, "demo/uploads")
>>> write_truth(programme, "demo/truth.json")

The plan (plan.py, explained in synthetic_data/plan.md) holds every number.
"""

from __future__ import annotations

from .plan import Plan, Shape
from .programme import Programme, Tables, refuse_odd_sizes, simulate
from .writing import write_truth, write_uploads

__all__ = ["Plan", "Programme", "Shape", "Tables", "refuse_odd_sizes", "simulate", "write_truth", "write_uploads"]
