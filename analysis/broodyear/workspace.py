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
        if error.errno not in NO_ROOM or not _concerns(error, folder):
            raise
        raise temporary_files_full() from None
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        if hold is not None:
            os.close(hold)


def _temporary(what: str) -> str:
    folder = tempfile.tempdir or os.environ.get("TMPDIR") or "/tmp"
    return (
        f"the folder for temporary files, {folder}, {what}; free some space there, or name another folder in the "
        "environment variable TMPDIR"
    )


def temporary_files_full() -> Refused:
    """What to raise when there is no room for temporary files."""
    return Refused(_temporary("is full"))


def _concerns(error: OSError, folder: Path) -> bool:
    """Whether the file that could not be written lies in ``folder``; a bare write does not say which it was."""
    named = [Path(str(name)) for name in (error.filename, error.filename2) if name is not None]
    return not named or any(name.is_relative_to(folder) for name in named)


def keep_caches_apart() -> None:
    """Let the drawing library keep its list of fonts in a folder of ours, unless the user chose one.

    That is below the user's own caches or, where these cannot be written, below the temporary folder.
    """
    if "MPLCONFIGDIR" in os.environ:
        return
    for parent in (os.environ.get("XDG_CACHE_HOME") or os.path.expanduser("~/.cache"), tempfile.gettempdir()):
        owner = "" if parent != tempfile.gettempdir() else f"-{getattr(os, 'getuid', int)()}"
        folder = Path(parent) / f"broodyear{owner}" / "figures"
        if folder.is_absolute() and _is_ours(folder):
            os.environ["MPLCONFIGDIR"] = str(folder)
            return


def _is_ours(folder: Path) -> bool:
    """Whether ``folder`` is there, or can be made, in a folder that nobody else owns."""
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        owner = folder.parent.lstat().st_uid
    except OSError:
        return False
    return owner == getattr(os, "geteuid", lambda: owner)() and os.access(folder, os.W_OK)


def _new_held() -> tuple[Path, int | None]:
    while True:
        folder = Path(tempfile.mkdtemp(prefix=PREFIX))
        try:
            hold = hold_folder(folder)
        except (BlockingIOError, FileNotFoundError):
            continue  # another run took the folder, not yet held, for a leftover: it removes it, or has done so
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
