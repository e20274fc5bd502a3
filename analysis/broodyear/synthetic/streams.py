"""Random streams: one independent generator for each part of the simulation.

A stream is named, so that drawing more numbers in one part (say, a denser logger) leaves every other part as
it was.
"""

from __future__ import annotations

import zlib

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


def stream(seed: int, *names: object) -> np.random.Generator:
    """The generator of one named part of the programme grown from `seed`."""
    return np.random.default_rng([seed, *(zlib.crc32(str(name).encode()) for name in names)])


def pick(rng: np.random.Generator, shares: dict[str, float], size: int) -> NDArray[np.object_]:
    """`size` draws from the names of `shares`, in proportion to their values (which need not sum to one)."""
    names = np.array(list(shares), dtype=object)
    weights = np.array(list(shares.values()), dtype=float)
    return names[rng.choice(len(names), size=size, p=weights / weights.sum())]


def pick_one(rng: np.random.Generator, shares: dict[str, float]) -> str:
    """One draw from the names of `shares`."""
    return str(pick(rng, shares, 1)[0])
