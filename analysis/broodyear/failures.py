"""What went wrong when nothing foresaw it: a store that cannot be read on, a full disk, too little memory."""

from __future__ import annotations

import errno
import sys
from pathlib import Path

from broodyear.errors import BroodyearError, Refused
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
