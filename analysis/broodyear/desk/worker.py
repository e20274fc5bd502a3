"""The worker process and its line: it does one piece of work by the functions behind the commands, and ends.

Run as ``python -m broodyear.desk.worker``; it reads its order from standard input and ends at once when that is
closed, so that nothing goes on working for a desk that is gone. How far it is, and how it ended, it tells in lines
of JSON.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any, Literal

from broodyear.endings import in_words
from broodyear.errors import BroodyearError, StoreUnavailable

#: Kinds of work that change the store or the basket: nothing is started beside them.
CHANGING = frozenset({"load", "withdraw", "dismiss", "demo"})
#: Seconds between a polite and a final request to stop.
PATIENCE_SECONDS = 3.0
#: Seconds between two reports of progress.
PROGRESS_EVERY_SECONDS = 0.1
_GONE = 70
_saying = threading.Lock()


@dataclass(frozen=True)
class Ended:
    """How a piece of work ended: a sentence, and what it gave back; busy: another program has the store."""

    state: Literal["done", "failed", "stopped"]
    message: str = ""
    outcome: Mapping[str, Any] = field(default_factory=dict)
    busy: bool = False


class WorkProcess:
    """A worker, as the desk sees it. passing: folder for passing files; log: file for what it says."""

    def __init__(self, passing: Path, log: Path) -> None:
        passing.mkdir(parents=True, exist_ok=True)
        words = [sys.executable, "-P", "-m", "broodyear.desk.worker"]
        environment = {**os.environ, "TMPDIR": str(passing), "TEMP": str(passing), "TMP": str(passing)}
        with log.open("wb") as errors:
            self._process = subprocess.Popen(
                words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=errors, env=environment
            )

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
        message = json.loads(line)
        if "progress" in message:
            tell(*message["progress"])
        else:
            ended = Ended(**message)
    return ended


class Teller:
    """Tells the desk how far the work is, not too often, and always when something else is begun."""

    def __init__(self) -> None:
        self._last = 0.0
        self._what = ""

    def __call__(self, done: int, total: int, what: str) -> None:
        """done of total steps are done; what is being done now."""
        if what != self._what or time.monotonic() - self._last >= PROGRESS_EVERY_SECONDS:
            self._last, self._what = time.monotonic(), what
            _say({"progress": [done, total, what]})


def _say(content: dict[str, Any]) -> None:
    with _saying:
        sys.stdout.write(json.dumps(content) + "\n")
        sys.stdout.flush()


def _leave_with_the_desk() -> None:
    sys.stdin.read()
    os._exit(_GONE)


def main() -> None:
    """Do the work that standard input orders."""
    ordered = json.loads(sys.stdin.readline())
    threading.Thread(target=_leave_with_the_desk, daemon=True).start()
    if ordered["kind"] in CHANGING:
        # What is written beside the store while it changes is as private as the store.
        os.umask(0o077)
    try:
        from broodyear.desk.tasks import TASKS, Order

        outcome = TASKS[ordered["kind"]](Order(ordered["order"]), Teller())
    except Exception as error:
        _say(failure(error, Path(ordered["order"]["store"])))
    else:
        _say({"state": "done", "message": outcome.pop("message", ""), "outcome": outcome})
    # Nothing is left to do; a thread that waits for the desk must not keep the process.
    sys.stdout.flush()
    os._exit(0)


def failure(error: Exception, store: Path) -> dict[str, Any]:
    """How the work failed, as it is told to the desk."""
    from broodyear.desk.wording import sentence

    known = error if isinstance(error, BroodyearError) else in_words(error, store)
    text = str(known)
    if known is None:
        import traceback

        traceback.print_exception(error)
        text = f"unexpected failure ({type(error).__name__}: {error}); this is a mistake of the program"
    is_busy = isinstance(known, StoreUnavailable) and "open in another program" in text
    return {"state": "failed", "message": sentence(text), "busy": is_busy}


if __name__ == "__main__":
    main()
