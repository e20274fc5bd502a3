"""How a command ends: the exit code, and a sentence on stderr when it did not do what was asked."""

from __future__ import annotations

import errno
import os
import sys
from collections.abc import Callable
from pathlib import Path

from broodyear.errors import (
    EXIT_INTERRUPTED,
    EXIT_NOTHING_TO_ANALYSE,
    EXIT_UNEXPECTED,
    BroodyearError,
    Interrupted,
    UsageError,
)
from broodyear.stopping import was_stopped
from broodyear.workspace import NO_ROOM


def ended(function: Callable[..., int], options: dict[str, object], debug: bool) -> int:
    """Run the function of a command with its options; the exit code, after a sentence for whatever went wrong."""
    try:
        code = function(**options)
        sys.stdout.flush()
        return code
    except BroodyearError as error:
        if was_stopped(error) and not isinstance(error, Interrupted):
            return _unexpected(error, options, debug)
        print(f"broodyear: {error}", file=sys.stderr)
        if isinstance(error, UsageError):
            print("See `broodyear --help`.", file=sys.stderr)
        return error.exit_code
    except BrokenPipeError:
        # The reader of our output (such as `head`) has gone; that is its right.
        sys.stdout = open(os.devnull, "w")  # noqa: SIM115 - must outlive this function
        return 0
    except (Exception, KeyboardInterrupt) as error:
        return _unexpected(error, options, debug)


#: Nobody's mistake in the program: no room, no permission, a disk that cannot be written or read.
_REFUSED_BY_THE_SYSTEM = NO_ROOM | {errno.EACCES, errno.EPERM, errno.EROFS, errno.EIO}


def _system_words(error: OSError) -> str:
    what = error.filename or "what the command prints"
    if error.filename is None and error.errno in NO_ROOM:
        # What is still in its buffer cannot be written when the process ends either.
        sys.stdout = open(os.devnull, "w")  # noqa: SIM115 - must outlive this function
    if error.errno in NO_ROOM:
        return f"there is no room left on the disk for {what}; free some and run it again"
    return f"{what} cannot be read or written ({error.strerror}); check its permissions and its disk"


def _unreadable_store(error: BaseException, store: object) -> BroodyearError | None:
    """What is wrong with the store when ``error`` comes of it."""
    if "duckdb" not in sys.modules or not isinstance(store, Path):
        return None
    from broodyear.store.opening import if_unreadable

    return if_unreadable(store, error)


def _unexpected(error: BaseException, options: dict[str, object], debug: bool) -> int:
    """The exit code of what no command foresees: Ctrl-C, a store that cannot be read on, or a mistake of ours."""
    if was_stopped(error):
        print(
            "broodyear: stopped. The store is as it was; output that was not finished is not kept", file=sys.stderr
        )
        return EXIT_INTERRUPTED
    unreadable = _unreadable_store(error, options.get("store"))
    if unreadable is not None:
        print(f"broodyear: {unreadable}", file=sys.stderr)
        return unreadable.exit_code
    if isinstance(error, OSError) and error.errno in _REFUSED_BY_THE_SYSTEM:
        print(f"broodyear: {_system_words(error)}", file=sys.stderr)
        return EXIT_NOTHING_TO_ANALYSE
    if debug:
        raise error
    print(
        f"broodyear: unexpected failure ({type(error).__name__}: {error}); this is a mistake of the program. "
        "Run it again with `broodyear --debug ...` to see where.",
        file=sys.stderr,
    )
    return EXIT_UNEXPECTED
