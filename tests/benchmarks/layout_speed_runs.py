"""One timed load, as a process of its own so that its memory is its own.

python layout_speed_runs.py FILE FOLDER LAYOUTS prints seconds, rows and the peak of resident memory in MiB;
LAYOUTS may be a minus sign.
"""

from __future__ import annotations

import json
import resource
import sys
import time
from pathlib import Path


def main(file: str, folder: str, layouts: str) -> None:
    """Load the tanks, then time the file. Imports are made before the clock starts."""
    from broodyear.intake import load_paths
    from broodyear.layouts import Layouts, read_layouts
    from broodyear.store import open_store

    place = Path(folder)
    (place / "tanks.csv").write_text("tank_id\nT-001\n", encoding="utf-8")
    known = Layouts() if layouts == "-" else read_layouts(Path(layouts))
    with open_store(place / "store.duckdb", for_loading=True) as store:
        load_paths(store, [place / "tanks.csv"])
        began = time.perf_counter()
        rows = sum(report.rows_accepted for report in load_paths(store, [Path(file)], layouts=known).files)
        seconds = time.perf_counter() - began
    peak_mib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(json.dumps({"rows": rows, "seconds": seconds, "peak_mib": peak_mib}))


if __name__ == "__main__":
    main(*sys.argv[1:])
