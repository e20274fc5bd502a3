"""How a command ends: the exit code, and a sentence on stderr when it did not do its work; also when nothing
foresaw it: a store that cannot be read on, a full disk, too little memory."""

from __future__ import annotations

import errno
import os
import sys
from collections.abc import Callable
from pathlib import Path

from broodyear.errors import (
    EXIT_INTERRUPTED,
    EXIT_UNEXPECTED,
    BroodyearError,
    Interrupted,
    Refused,
    UsageError,
)
from broodyear.stopping import was_stopped
from broodyear.workspace import NO_ROOM

#: Nobody's mistake in the program: no room, no permission, a disk that cannot be written or read.
_REFUSED_BY_THE_SYSTEM = NO_ROOM | {errno.EACCES, errno.EPERM, errno.EROFS, errno.EIO}


def in_words(error: BaseException, store: Path) -> BroodyearError | None:
    """What the user can do about ``error`` of work on ``store``, with its exit code; None when it is a mistake of
    the program."""
    if "duckdb" in sys.modules:
        from broodyear.store.opening import if_unreadable

        unreadable = if_unreadable(store, error)
        if unreadable is not None:
            return unreadable
    if isinstance(error, MemoryError):
        return Refused("there is not enough memory for this; close other programs and try again")
    if isinstance(error, OSError) and error.errno in _REFUSED_BY_THE_SYSTEM:
        return Refused(_system_words(error))
    return None


def _system_words(error: OSError) -> str:
    what = error.filename or "what the command prints"
    if error.errno in NO_ROOM:
        return f"there is no room left on the disk for {what}; free some and run it again"
    return f"{what} cannot be read or written ({error.strerror}); check its permissions and its disk"


def ended(command: Callable[[], int], store: Path, debug: bool) -> int:
    """Run a command that works on ``store``; the exit code, after a sentence for whatever went wrong."""
    try:
        code = command()
        sys.stdout.flush()
        return code
    except BroodyearError as error:
        if was_stopped(error) and not isinstance(error, Interrupted):
            return _unexpected(error, store, debug)
        print(f"broodyear: {error}", file=sys.stderr)
        if isinstance(error, UsageError):
            print("See `broodyear --help`.", file=sys.stderr)
        return error.exit_code
    except BrokenPipeError:
        # The reader of our output (such as `head`) has gone; that is its right.
        sys.stdout = open(os.devnull, "w")  # noqa: SIM115 - must outlive this function
        return 0
    except (Exception, KeyboardInterrupt) as error:
        return _unexpected(error, store, debug)


def _unexpected(error: BaseException, store: Path, debug: bool) -> int:
    """The exit code of what no command foresees: Ctrl-C, a store that cannot be read on, or a mistake of ours."""
    if was_stopped(error):
        print(
            "broodyear: stopped. The store is as it was; output that was not finished is not kept", file=sys.stderr
        )
        return EXIT_INTERRUPTED
    if isinstance(error, OSError) and error.filename is None and error.errno in NO_ROOM:
        # What is still in its buffer cannot be written when the process ends either.
        sys.stdout = open(os.devnull, "w")  # noqa: SIM115 - must outlive this function
    reason = in_words(error, store)
    if reason is not None:
        print(f"broodyear: {reason}", file=sys.stderr)
        return reason.exit_code
    if debug:
        raise error
    print(
        f"broodyear: unexpected failure ({type(error).__name__}: {error}); this is a mistake of the program. "
        "Run it again with `broodyear --debug ...` to see where.",
        file=sys.stderr,
    )
    return EXIT_UNEXPECTED
