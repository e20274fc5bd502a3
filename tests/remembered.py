"""Results of functions without state, worked out once for each file of tests that asks for them many times."""

from __future__ import annotations

import copy
import hashlib
import pickle
from collections.abc import Callable
from typing import ParamSpec, TypeVar

Given = ParamSpec("Given")
Result = TypeVar("Result")


def remembered(function: Callable[Given, Result]) -> Callable[Given, Result]:
    """``function``, which gives the same for the same: what was asked before is a copy of what it gave then."""
    answers: dict[bytes, Result] = {}

    def answer(*args: Given.args, **kwargs: Given.kwargs) -> Result:
        key = hashlib.sha256(pickle.dumps((args, sorted(kwargs.items())))).digest()
        if key not in answers:
            answers[key] = function(*args, **kwargs)
        return copy.deepcopy(answers[key])

    return answer
