"""Entry point: ``broodyear`` and ``python -m broodyear``."""

from __future__ import annotations

import os
import sys

from broodyear import stopping
from broodyear.errors import EXIT_INTERRUPTED
from broodyear.workspace import keep_caches_apart


def run() -> None:
    """Run the command line and leave with its exit code."""
    # Small matrices: one linear-algebra thread is far faster than several. Set before numpy is first imported.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    keep_caches_apart()
    stopping.listen()
    try:
        from broodyear.cli import main

        code = main(sys.argv[1:])
    except KeyboardInterrupt:
        print("broodyear: stopped before anything was begun", file=sys.stderr)
        code = EXIT_INTERRUPTED
    stopping.ignore()
    sys.exit(code)


if __name__ == "__main__":
    run()
