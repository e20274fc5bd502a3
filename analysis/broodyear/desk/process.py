"""One worker process: it gets an order, tells how far it is, and gives back an outcome; all as lines of JSON."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any, Literal

#: Seconds between a polite and a final request to stop.
PATIENCE_SECONDS = 3.0


@dataclass(frozen=True)
class Ended:
    """How a piece of work ended: a sentence, and what it gave back."""

    state: Literal["done", "failed", "stopped"]
    message: str = ""
    outcome: Mapping[str, Any] = field(default_factory=dict)
    busy: bool = False


class WorkProcess:
    """A process of ``broodyear.desk.worker``. passing: folder for passing files; log: file for what it says."""

    def __init__(self, passing: Path, log: Path) -> None:
        passing.mkdir(parents=True, exist_ok=True)
        words = [sys.executable, "-P", "-m", "broodyear.desk.worker"]
        environment = {**os.environ, "TMPDIR": str(passing), "TEMP": str(passing), "TMP": str(passing)}
        with log.open("wb") as errors:
            self._process = subprocess.Popen(
                words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=errors, env=environment
            )

    @property
    def pid(self) -> int:
        """The process's number."""
        return self._process.pid

    def run(self, kind: str, order: Mapping[str, Any], tell: Callable[[int, int, str], None]) -> Ended:
        """Send the order and wait for the end. The worker ends by itself when this process does."""
        assert self._process.stdin is not None and self._process.stdout is not None
        try:
            self._process.stdin.write(json.dumps({"kind": kind, "order": dict(order)}).encode() + b"\n")
            self._process.stdin.flush()
        except OSError:
            pass  # it has ended; why is told below
        ended = _follow(self._process.stdout, tell)
        self._process.stdin.close()
        code = self._process.wait()
        self._process.stdout.close()
        return ended or Ended(
            "failed", f"The work broke off (exit code {code}). What was finished before is kept."
        )

    def stop(self) -> None:
        """End the process: politely, then not."""
        self._process.terminate()
        later = threading.Timer(PATIENCE_SECONDS, self._kill)
        # A desk that closes does not wait for it: its workers end with it by themselves.
        later.daemon = True
        later.start()

    def _kill(self) -> None:
        if self._process.poll() is None:
            self._process.kill()


def _follow(lines: IO[bytes], tell: Callable[[int, int, str], None]) -> Ended | None:
    ended = None
    for line in lines:
        said = json.loads(line)
        if "progress" in said:
            done, total, what = said["progress"]
            tell(int(done), int(total), str(what))
        elif "done" in said:
            ended = Ended("done", said["message"], said["done"])
        elif "failed" in said:
            ended = Ended("failed", said["failed"], busy=said["busy"])
    return ended
