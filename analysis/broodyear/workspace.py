"""Folders that a run works in, held by a lock while it lives: the next run clears those of killed ones."""

from __future__ import annotations

import errno
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from broodyear.errors import Refused

PREFIX = "broodyear-work-"

#: What the system says when there is no room: on the disk, in somebody's share of it, or for one file.
NO_ROOM = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG})


@contextmanager
def working_folder() -> Iterator[Path]:
    """An empty folder below the computer's temporary one, removed at the end; killed runs' leftovers go first.

    Raises Refused when no temporary folder can be written, or when it is full.
    """
    try:
        clear_leftovers(Path(tempfile.gettempdir()))
        folder, hold = _new_held()
    except OSError as error:
        raise Refused(_temporary(f"cannot be written ({error.strerror or 'no place for it was found'})")) from None
    try:
        yield folder
    except OSError as error:
        if error.errno not in NO_ROOM or not _is_below(error.filename, folder):
            raise
        raise Refused(_temporary("is full")) from None
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        if hold is not None:
            os.close(hold)


def _temporary(what: str) -> str:
    place = tempfile.tempdir or os.environ.get("TMPDIR") or "/tmp"
    return (
        f"the folder for temporary files, {place}, {what}; free some space there, or name another folder in the "
        "environment variable TMPDIR"
    )


def _is_below(name: object, folder: Path) -> bool:
    """Whether the file that could not be written lies in ``folder``; a bare write does not say which it was."""
    return name is None or Path(str(name)).is_relative_to(folder)


def _new_held() -> tuple[Path, int | None]:
    while True:
        folder = Path(tempfile.mkdtemp(prefix=PREFIX))
        try:
            hold = hold_folder(folder)
        except BlockingIOError:
            continue  # another run took the folder, not yet held, for a leftover, and removes it
        if folder.exists():
            return folder, hold


def clear_leftovers(parent: Path) -> None:
    """Remove the working folders in ``parent`` whose runs have ended without doing so."""
    for folder in parent.glob(f"{PREFIX}*"):
        try:
            hold = hold_folder(folder)
        except OSError:
            continue  # its run lives, or it is somebody else's
        if hold is not None:
            shutil.rmtree(folder, ignore_errors=True)
            os.close(hold)


def hold_folder(folder: Path) -> int | None:
    """A handle that holds ``folder`` until it is closed or the process ends; None where there are no such locks.

    Raises BlockingIOError when another process holds the folder.
    """
    try:
        import fcntl
    except ImportError:
        return None
    handle = os.open(folder, os.O_RDONLY)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(handle)
        raise
    except OSError:
        os.close(handle)  # a file system without locks
        return None
    return handle
