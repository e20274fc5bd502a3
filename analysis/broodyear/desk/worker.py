"""The worker process: does one piece of work by the functions behind the commands, and ends.

Run as ``python -m broodyear.desk.worker``; it reads its order from standard input and ends at once when that is
closed, so that nothing goes on working for a desk that is gone.
"""

from __future__ import annotations

import json
import os
import sys
import threading
import time
from pathlib import Path
from typing import Any

from broodyear.desk.jobs import CHANGING
from broodyear.errors import BroodyearError, StoreUnavailable
from broodyear.failures import in_words

#: Seconds between two reports of progress.
PROGRESS_EVERY_SECONDS = 0.1
_GONE = 70
_saying = threading.Lock()


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
        _say({"done": outcome, "message": outcome.pop("message", "")})
    # Nothing is left to do; a thread that waits for the desk must not keep the process.
    sys.stdout.flush()
    os._exit(0)


def failure(error: Exception, store: Path) -> dict[str, Any]:
    """How the work failed, as it is told to the desk."""
    from broodyear.desk.wording import sentence

    told = error if isinstance(error, BroodyearError) else in_words(error, store)
    if told is None:
        import traceback

        traceback.print_exception(error)
        text = f"unexpected failure ({type(error).__name__}: {error}); this is a mistake of the program"
        return {"failed": sentence(text), "busy": False}
    return {"failed": sentence(str(told)), "busy": _is_busy(told)}


def _is_busy(error: BroodyearError) -> bool:
    return isinstance(error, StoreUnavailable) and "open in another program" in str(error)


if __name__ == "__main__":
    main()
