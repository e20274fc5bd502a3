"""What went wrong when nothing foresaw it: a store that cannot be read on, a full disk, too little memory."""

from __future__ import annotations

import errno
import sys
from pathlib import Path

from broodyear.errors import BroodyearError, Refused
from broodyear.workspace import NO_ROOM

#: Nobody's mistake in the program: no room, no permission, a disk that cannot be written or read.
_REFUSED_BY_THE_SYSTEM = NO_ROOM | {errno.EACCES, errno.EPERM, errno.EROFS, errno.EIO}


def in_words(error: BaseException, store: object) -> BroodyearError | None:
    """What the user can do about ``error``, with its exit code; None when it is a mistake of the program.

    store: the path of the store that was worked on, if any.
    """
    unreadable = _unreadable_store(error, store)
    if unreadable is not None:
        return unreadable
    if isinstance(error, MemoryError):
        return Refused("there is not enough memory for this; close other programs and try again")
    if isinstance(error, OSError) and error.errno in _REFUSED_BY_THE_SYSTEM:
        return Refused(_system_words(error))
    return None


def _unreadable_store(error: BaseException, store: object) -> BroodyearError | None:
    if "duckdb" not in sys.modules or not isinstance(store, Path):
        return None
    from broodyear.store.opening import if_unreadable

    return if_unreadable(store, error)


def _system_words(error: OSError) -> str:
    what = error.filename or "what the command prints"
    if error.errno in NO_ROOM:
        return f"there is no room left on the disk for {what}; free some and run it again"
    return f"{what} cannot be read or written ({error.strerror}); check its permissions and its disk"
