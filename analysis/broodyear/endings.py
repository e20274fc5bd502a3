"""How a command ends: the exit code, and a sentence on stderr when it did not do what was asked."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path

from broodyear.errors import (
    EXIT_INTERRUPTED,
    EXIT_UNEXPECTED,
    BroodyearError,
    Interrupted,
    UsageError,
)
from broodyear.failures import in_words
from broodyear.stopping import was_stopped
from broodyear.workspace import NO_ROOM


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
    told = in_words(error, store)
    if told is not None:
        print(f"broodyear: {told}", file=sys.stderr)
        return told.exit_code
    if debug:
        raise error
    print(
        f"broodyear: unexpected failure ({type(error).__name__}: {error}); this is a mistake of the program. "
        "Run it again with `broodyear --debug ...` to see where.",
        file=sys.stderr,
    )
    return EXIT_UNEXPECTED
