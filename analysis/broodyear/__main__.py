"""Entry point: ``broodyear`` and ``python -m broodyear``."""

from __future__ import annotations

import contextlib
import gc
import os
import sys

from broodyear import stopping
from broodyear.errors import EXIT_INTERRUPTED
from broodyear.workspace import keep_caches_apart

#: Between two searches for objects in circles. Pages and drawings make many that stay: with the usual number, a
#: twentieth of a report's time goes into searching.
OBJECTS_BETWEEN_SEARCHES = 300_000


def run() -> None:
    """Run the command line and leave with its exit code."""
    # Small matrices: one linear-algebra thread is far faster than several. Set before numpy is first imported.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    gc.set_threshold(OBJECTS_BETWEEN_SEARCHES)
    keep_caches_apart()
    stopping.listen()
    try:
        from broodyear.cli import main

        code = main(sys.argv[1:])
    except KeyboardInterrupt:
        print("broodyear: stopped before anything was begun", file=sys.stderr)
        code = EXIT_INTERRUPTED
    stopping.ignore()
    if code == EXIT_INTERRUPTED:
        _leave_at_once(code)
    gc.freeze()  # what is left ends with the process: looking through it would take a quarter of a second
    sys.exit(code)


def _leave_at_once(code: int) -> None:
    """Leave with this code, with what was printed so far written out.

    Where Ctrl-C met a text being run as code (as libraries make some of their classes), CPython would end by the
    signal itself, whatever code it is given (``run_eval_code_obj`` in its Python/pythonrun.c notes it).
    """
    for stream in (sys.stdout, sys.stderr):
        with contextlib.suppress(OSError):
            stream.flush()
    os._exit(code)


if __name__ == "__main__":
    run()
