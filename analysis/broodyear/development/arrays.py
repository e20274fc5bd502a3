"""Kinds of arrays that the room's signatures name."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Whole = NDArray[np.intp]
Masks = NDArray[np.bool_]
Dates = NDArray[np.datetime64]
Texts = NDArray[np.str_]
