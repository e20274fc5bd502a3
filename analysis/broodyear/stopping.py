"""Ctrl-C: a command that is stopped ends with a sentence about what was kept, wherever it was at that moment."""

from __future__ import annotations

import _thread
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType
from typing import TYPE_CHECKING, Any
from weakref import WeakSet

from broodyear.errors import Interrupted

if TYPE_CHECKING:
    from sys import UnraisableHookArgs

    from duckdb import DuckDBPyConnection as Session

#: Python has tidied an object away long before this.
TIDIED_SECONDS = 0.05

_presses: list[int] = []
_at_work: WeakSet[Any] = WeakSet()


def listen() -> None:
    """Take note of Ctrl-C from now on. Libraries turn it into errors of their own; the note says what it was."""
    signal.signal(signal.SIGINT, _note)
    sys.unraisablehook = _again


def ignore() -> None:
    """Ctrl-C is too late: all is done but to leave."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def interruptible(session: Session) -> Session:
    """Let Ctrl-C stop what this session of the database is at: by itself the database often misses it."""
    _at_work.add(session)
    return session


def _note(number: int, _frame: FrameType | None) -> None:
    _presses.append(number)
    for session in list(_at_work):
        session.interrupt()
    # The second one comes from impatience, while the store is being closed; a third is meant.
    if len(_presses) != 2:
        raise KeyboardInterrupt


def _again(lost: UnraisableHookArgs) -> None:
    """What is raised while Python tidies an object away is lost: a Ctrl-C that came then is given once more."""
    if lost.exc_type is not KeyboardInterrupt or not _presses:
        sys.__unraisablehook__(lost)
        return
    _presses.pop()
    soon = threading.Timer(TIDIED_SECONDS, _press)
    soon.daemon = True
    soon.start()


def _press() -> None:
    """Ctrl-C once more, for the thread at work."""
    if hasattr(signal, "pthread_kill"):
        signal.pthread_kill(threading.main_thread().ident or 0, signal.SIGINT)
    else:
        _thread.interrupt_main()


def was_stopped(error: BaseException) -> bool:
    """Whether ``error`` came of Ctrl-C."""
    return bool(_presses) or isinstance(error, KeyboardInterrupt)


@contextmanager
def stopped_with(kept: Callable[[], str]) -> Iterator[None]:
    """Where Ctrl-C ends the block, Interrupted is raised with what ``kept`` gives then, or a block in it gave."""
    try:
        yield
    except BaseException as error:
        if isinstance(error, Interrupted) or not was_stopped(error):
            raise
        raise Interrupted(kept()) from None
