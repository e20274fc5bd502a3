"""Workers of desks in this process, forked from one that has imported everything: a second less for each.

A desk in a process of its own (``RunningDesk``) starts its workers as users' desks do.
"""

from __future__ import annotations

import multiprocessing
import os
import sys
from multiprocessing import forkserver
from multiprocessing.connection import Connection
from pathlib import Path

from broodyear.desk import worker

_forking = multiprocessing.get_context("forkserver")
_forking.set_forkserver_preload(
    ["tests.desk.forked", "broodyear.desk.tasks", "broodyear.reports.season", "pandas"]
)


def begin() -> None:
    """Start the process that the others are forked from: its socket lies in the folder for temporary files, whose
    path a desk that is served makes too long for one."""
    forkserver.ensure_running()


class ForkedProcess(worker.WorkProcess):
    """As WorkProcess, which starts an interpreter for each piece of work."""

    def __init__(self, passing: Path, log: Path) -> None:
        passing.mkdir(parents=True, exist_ok=True)
        orders, order = _forking.Pipe(duplex=False)
        said, saying = _forking.Pipe(duplex=False)
        self._process = _Started(order, said, _forking.Process(target=_work, args=(orders, saying, passing, log)))  # type: ignore[assignment]
        orders.close()
        saying.close()


class _Started:
    """A forked process with the parts of ``subprocess.Popen`` that are used of it."""

    def __init__(self, order: Connection, said: Connection, forked: multiprocessing.process.BaseProcess) -> None:
        forked.start()
        self._forked, self.pid = forked, forked.pid
        self.stdin, self.stdout = os.fdopen(os.dup(order.fileno()), "wb"), os.fdopen(os.dup(said.fileno()), "rb")
        order.close()
        said.close()
        self.terminate, self.kill = forked.terminate, forked.kill

    def wait(self) -> int | None:
        self._forked.join()
        return self._forked.exitcode

    def poll(self) -> int | None:
        return self._forked.exitcode


def _work(orders: Connection, saying: Connection, passing: Path, log: Path) -> None:
    with log.open("wb") as errors:
        for place, number in enumerate((orders.fileno(), saying.fileno(), errors.fileno())):
            os.dup2(number, place)
    orders.close()
    saying.close()
    sys.stdin, sys.stdout, sys.stderr = (
        os.fdopen(place, mode, encoding="utf-8") for place, mode in enumerate(("r", "w", "w"))
    )
    os.environ |= dict.fromkeys(("TMPDIR", "TEMP", "TMP"), str(passing))
    worker.main()
