"""Entry point: ``broodyear`` and ``python -m broodyear``."""

from __future__ import annotations

import os
import sys


def run() -> None:
    """Run the command line and leave with its exit code."""
    # Small matrices: one linear-algebra thread is far faster than several. Set before numpy is first imported.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from broodyear.cli import main

    sys.exit(main(sys.argv[1:]))


if __name__ == "__main__":
    run()
