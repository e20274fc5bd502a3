"""The errors a user can meet, each with the exit code the command line gives for it.

Every message is one sentence a person can act on: what was found, where, what was expected, what to do.
"""

from __future__ import annotations

EXIT_DONE = 0
EXIT_UNEXPECTED = 1
EXIT_USAGE = 2
EXIT_ROWS_HAVE_ERRORS = 10
EXIT_FILE_UNREADABLE = 11
EXIT_NOTHING_TO_ANALYSE = 12
EXIT_STORE_UNAVAILABLE = 13
EXIT_INTERRUPTED = 130


class BroodyearError(ValueError):
    """A mistake or a limit that the user can do something about."""

    exit_code = EXIT_UNEXPECTED


class UsageError(BroodyearError):
    """The words of a call do not fit."""

    exit_code = EXIT_USAGE


class UnreadableFile(BroodyearError):
    """A file could not be read, or fits no table. Its arguments: why, and what to do."""

    exit_code = EXIT_FILE_UNREADABLE

    def __str__(self) -> str:
        """Both as sentences."""
        return ". ".join(map(str, self.args))


class NothingToAnalyse(BroodyearError):
    """There is no record to work on."""

    exit_code = EXIT_NOTHING_TO_ANALYSE


class Refused(BroodyearError):
    """The records cannot carry the answer; the message says why."""

    exit_code = EXIT_NOTHING_TO_ANALYSE


class StoreUnavailable(BroodyearError):
    """The store is busy, damaged, or written by a newer version."""

    exit_code = EXIT_STORE_UNAVAILABLE


class Interrupted(BroodyearError):
    """Somebody stopped the command; the message says what was kept."""

    exit_code = EXIT_INTERRUPTED


class BroodyearWarning(UserWarning):
    """A number was given, with a reservation that the message states."""
