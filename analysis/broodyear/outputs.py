"""Where results are written: whole or not at all, and never over what is not broodyear's own.

Every folder that broodyear writes into holds a small record, ``.broodyear``: which command wrote which file, and
the hash of its bytes. A file may be replaced by the command that wrote it while its bytes are still those; any
other is left alone, and the command is refused before it begins to work.

- ``require_file``, ``require_folder``: ask before the work whether the result may be written.
- ``write_file``, ``new_file``: one file, put in its place when it is whole.
- ``new_folder``: made beside the old one and put in its place whole; what is not broodyear's own there stays.
- ``begin_folder``, ``end_folder``: a folder that is filled in its place, because its own files are read there.
- ``writer_of_result``: whether a file is such a result, and so no record of anybody's.
- ``append_to``, ``replace_text``: add to the end of a file that people edit, or take a part of it out.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from broodyear.errors import Refused, UsageError
from broodyear.workspace import NO_ROOM, hold_folder

RECORD = ".broodyear"

#: In a record: the folder is being filled, or its run was stopped.
UNFINISHED = "(unfinished)"

#: Beginnings of the commands whose files are results; tables of a report lie two folders deep.
_RESULTS = ("report ", "forecast", "plan")
_DEEPEST_RESULT = 3

#: Files named in a refusal; the others are counted.
NAMED_FILES = 3


@dataclass(frozen=True)
class Written:
    """What the record holds of one file. by: the command that wrote it; sha256: of its bytes."""

    by: str
    sha256: str


def require_file(path: Path, by: str, option: str = "--out") -> None:
    """Raise UsageError unless ``broodyear <by>`` may write ``path``: it is free, or its own and unchanged."""
    if path.is_dir():
        raise UsageError(f"{path} is a folder; name a file with {option}")
    if os.path.lexists(path):
        why = _why_not(path, _read_record(path.parent).get(path.name), by)
        if why:
            raise UsageError(f"{path} {why}; nothing was replaced. {_advice(option, 'file')}")
    _require_room_to_write(path.parent, path, option)


def require_folder(folder: Path, by: str, own: Sequence[str] = (), option: str = "--out") -> None:
    """Raise UsageError unless ``broodyear <by>`` may put its folder in the place of ``folder``.

    own: names at its top that the command writes; files of others are refused there, and stay beside them. A file
    of its own that was changed since is refused wherever it is.
    """
    _put_back(_real(folder))
    if os.path.lexists(folder) and not folder.is_dir():
        raise UsageError(f"{folder} is a file; name a folder with {option}")
    if folder.is_dir():
        if Path.cwd().is_relative_to(folder.resolve()):
            raise UsageError(f"{folder} is the folder you are in; name one inside it with {option}")
        _refuse(folder, _in_the_way(folder, by, own), option)
    _require_room_to_write(_real(folder).parent, folder, option)


def _in_the_way(folder: Path, by: str, own: Sequence[str]) -> list[tuple[str, str]]:
    """Files below ``folder`` that the command may not replace, each with the reason."""
    record, found = _read_record(folder), []
    for name in _files(folder):
        written = record.get(name)
        # A spreadsheet's lock or a file manager's notes are in nobody's way: no output has such a name.
        hidden = Path(name).name.startswith(".")
        if not hidden and (Path(name).parts[0] in own or (written and written.by == by)):
            why = _why_not(folder / name, written, by)
            if why:
                found.append((name, why))
    return found


def _refuse(folder: Path, found: Sequence[tuple[str, str]], option: str = "--out") -> None:
    if found:
        named = "; ".join(f"{folder / name} {why}" for name, why in found[:NAMED_FILES])
        more = f"; and {len(found) - NAMED_FILES} more" if len(found) > NAMED_FILES else ""
        raise UsageError(f"{named}{more}. Nothing was replaced. {_advice(option, 'folder')}")


def _why_not(path: Path, written: Written | None, by: str) -> str:
    """Why the file may not be replaced by ``broodyear <by>``, or nothing."""
    if written is None or path.is_symlink():
        return "was not written by broodyear"
    if not path.is_file() or _hash(path) != written.sha256:
        return "was changed after broodyear wrote it"
    return "" if written.by == by else f"was written by `broodyear {written.by}`"


def _advice(option: str, kind: str) -> str:
    return f"Name another {kind} with {option}, or move what you want to keep."


@contextmanager
def new_file(path: Path, by: str, option: str = "--out") -> Iterator[Path]:
    """Yield a file beside ``path`` to write into; it takes its place when the block ends well, else it is removed.

    Raises UsageError as ``require_file`` does, and Refused when the disk is full.
    """
    require_file(path, by, option)
    part = path.with_name(f".{path.name}.broodyear-part")
    with _in_words(path, option):
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            yield part
            written = Written(by, _hash(part))
            part.replace(path)
            _write_record(path.parent, _read_record(path.parent) | {path.name: written})
        finally:
            part.unlink(missing_ok=True)


def write_file(path: Path, content: str | bytes, by: str, option: str = "--out") -> Path:
    """Write ``content`` to ``path``, whole or not at all, and return the path. Raises as ``new_file``."""
    with new_file(path, by, option) as part:
        part.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


def append_to(path: Path, text: str, by: str) -> Path:
    """Add ``text`` to the end of ``path``, whoever wrote what stands before it; made when there is no such file.

    The file is replaced by its longer self, whole or not at all. Raises UsageError and Refused as ``new_file``.
    """
    if not os.path.lexists(path):
        return write_file(path, text, by)
    if not path.is_file():
        raise UsageError(f"{path} is not a file; name another with --out")
    with _in_words(path):
        content = path.read_bytes() + text.encode()
    _replace_bytes(path, content)
    return path


def replace_text(path: Path, text: str) -> None:
    """Let a file that people edit hold ``text`` instead, whole or not at all. Raises as ``append_to``."""
    _replace_bytes(path, text.encode())


def _replace_bytes(path: Path, content: bytes) -> None:
    target = _real(path)
    part = target.with_name(f".{target.name}.broodyear-part")
    with _in_words(path):
        try:
            part.write_bytes(content)
            shutil.copymode(target, part)
            part.replace(target)
        finally:
            part.unlink(missing_ok=True)


@contextmanager
def new_folder(folder: Path, by: str, own: Sequence[str] = (), option: str = "--out") -> Iterator[Path]:
    """Yield an empty folder to write into; when the block ends well, it stands in the place of ``folder``.

    Whoever looks sees the old folder or the new one, never a mixture. Files in the old one that this command did
    not write stay. Raises UsageError as ``require_folder`` does, Refused when the disk is full or when another run
    is writing the same folder.
    """
    require_folder(folder, by, own, option)
    target = _real(folder)
    staged = target.with_name(f".{target.name}.broodyear-new")
    with _in_words(folder, option):
        staged.mkdir(parents=True, exist_ok=True)
        hold = _hold(staged, folder, option)
        try:
            _empty(staged)
            yield staged
            _swap(staged, target, by, option)
        finally:
            shutil.rmtree(staged, ignore_errors=True)
            if hold is not None:
                os.close(hold)


def _hold(staged: Path, shown: Path, option: str) -> int | None:
    try:
        return hold_folder(staged)
    except BlockingIOError:
        raise Refused(
            f"another run is writing {shown} just now; wait for it, or name another place with {option}"
        ) from None


def _swap(staged: Path, target: Path, by: str, option: str) -> None:
    """Record what was written, bring along what stays, and swap the folders."""
    record = {name: Written(by, _hash(staged / name)) for name in _files(staged)}
    old = target.with_name(f".{target.name}.broodyear-old")
    if target.exists():
        record = _bring_along(target, staged, by, option) | record
        shutil.copymode(target, staged)
    _write_record(staged, record)
    try:
        if target.exists():
            target.rename(old)
        staged.rename(target)
    finally:
        _put_back(target)


def _bring_along(target: Path, staged: Path, by: str, option: str) -> dict[str, Written]:
    """Put what this command did not write into the new folder; returns the record's lines about it."""
    record = _read_record(target)
    kept = [name for name in _files(target) if name not in record or record[name].by != by]
    taken = [name for name in kept if os.path.lexists(staged / name)]
    changed = _in_the_way(target, by, ())
    _refuse(target, [(name, "was not written by this command") for name in taken] + changed, option)
    for name in kept:
        (staged / name).parent.mkdir(parents=True, exist_ok=True)
        _link_or_copy(target / name, staged / name)
    return {name: record[name] for name in kept if name in record}


def _link_or_copy(old: Path, new: Path) -> None:
    try:
        os.link(old, new, follow_symlinks=False)
    except OSError:
        shutil.copy2(old, new, follow_symlinks=False)


def _put_back(target: Path) -> None:
    """Remove what a swap left; after a stop between its two renames that goes back to its place, whole."""
    old = target.with_name(f".{target.name}.broodyear-old")
    if old.is_dir() and not os.path.lexists(target):
        old.rename(target)
    shutil.rmtree(old, ignore_errors=True)


def begin_folder(folder: Path, by: str, own: Sequence[str]) -> None:
    """Empty ``folder`` for a command that works in it for long and reads what it writes there.

    Raises UsageError when anything in it is not broodyear's own or was changed since; of one left unfinished by a
    run that was stopped, when anything is not among ``own``, the names at the top that the command writes.
    """
    if os.path.lexists(folder) and not folder.is_dir():
        raise UsageError(f"{folder} is a file; name a folder with --out")
    _require_room_to_write(folder, folder)
    if folder.is_dir():
        _refuse(folder, _strangers(folder, own))
    with _in_words(folder):
        folder.mkdir(parents=True, exist_ok=True)
        _write_record(folder, {UNFINISHED: Written(by, "")})
        _empty(folder, keep=RECORD)


def end_folder(folder: Path, by: str) -> None:
    """Record everything in ``folder`` as written by the command, which is done with it."""
    _write_record(folder, {name: Written(by, _hash(folder / name)) for name in _files(folder)})


def _strangers(folder: Path, own: Sequence[str]) -> list[tuple[str, str]]:
    """Files below ``folder`` that no record in it knows as they are, each with the reason."""
    if UNFINISHED in _read_record(folder):
        names = [name for name in _files(folder) if Path(name).parts[0] not in own]
        return [(name, "was not written by broodyear") for name in names]
    found = []
    for name in _files(folder):
        known = list(_lines_about(folder, name))
        if Path(name).name == RECORD or any(not _why_not(folder / name, one, one.by) for one in known):
            continue
        found.append((name, _why_not(folder / name, known[0] if known else None, "")))
    return found


def _lines_about(folder: Path, name: str) -> Iterator[Written]:
    """What the records of ``folder``, and of the folders in it on the way to the file, hold about it."""
    path = folder / name
    for above in path.parents:
        written = _read_record(above).get(path.relative_to(above).as_posix())
        if written is not None:
            yield written
        if above == folder:
            return


def writer_of_result(path: Path, records: dict[Path, dict[str, Written]]) -> str | None:
    """The command of which an unchanged file is a result that nobody loads: a report, a forecast, a plan.

    None of any other, and of what may be loaded again: exports, copies to mend, templates, trials, demo uploads.

    records: of folders, kept between calls.
    """
    above = path.absolute().parents
    for folder in above[:_DEEPEST_RESULT]:
        if folder not in records:
            records[folder] = _read_record(folder)
        written = records[folder].get(path.absolute().relative_to(folder).as_posix())
        if written is not None and written.by.startswith(_RESULTS) and not _why_not(path, written, written.by):
            return written.by
    return None


def _empty(folder: Path, keep: str = "") -> None:
    for entry in folder.iterdir():
        if entry.name == keep:
            continue
        if entry.is_dir() and not entry.is_symlink():
            shutil.rmtree(entry)
        else:
            entry.unlink()


def _real(folder: Path) -> Path:
    """The folder that a link stands for, so that the link stays."""
    return Path(os.path.realpath(folder))


def _files(folder: Path) -> list[str]:
    """Every file below ``folder``, links among them, as names with slashes, in order; not its own record."""
    found = []
    for root, folders, files in os.walk(folder):
        links = [name for name in folders if Path(root, name).is_symlink()]
        found += [Path(root, name).relative_to(folder).as_posix() for name in [*files, *links]]
    return sorted(name for name in found if name != RECORD)


def _hash(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _read_record(folder: Path) -> dict[str, Written]:
    """What broodyear wrote into ``folder``; a record that cannot be read counts as none."""
    try:
        content = json.loads((folder / RECORD).read_text(encoding="utf-8"))
        return {name: Written(entry["by"], entry["sha256"]) for name, entry in content["written"].items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}


def _write_record(folder: Path, record: dict[str, Written]) -> None:
    written = {name: {"by": one.by, "sha256": one.sha256} for name, one in sorted(record.items())}
    text = json.dumps({"written": written}, ensure_ascii=False, indent=1) + "\n"
    part = folder / f"{RECORD}.broodyear-part"
    try:
        part.write_text(text, encoding="utf-8")
        part.replace(folder / RECORD)
    finally:
        part.unlink(missing_ok=True)


def _require_room_to_write(parent: Path, shown: Path, option: str = "--out") -> None:
    """Raise UsageError unless files can be made in ``parent``, or in the nearest folder above that exists."""
    nearest = next(folder for folder in (parent, *parent.absolute().parents) if os.path.lexists(folder))
    if not nearest.is_dir():
        raise UsageError(f"{shown} cannot be written: {nearest} is not a folder; name another place with {option}")
    if not os.access(nearest, os.W_OK | os.X_OK):
        raise UsageError(
            f"{shown} cannot be written: {nearest} may not be changed; name another place with {option}"
        )


@contextmanager
def _in_words(shown: Path, option: str = "--out") -> Iterator[None]:
    """Turn the system's refusals into a sentence."""
    try:
        yield
    except OSError as error:
        if error.errno in NO_ROOM:
            raise Refused(
                f"the disk became full while {shown} was being written; it is as it was before. Free some space, "
                f"or name another place with {option}"
            ) from None
        raise UsageError(
            f"{shown} cannot be written ({error.strerror or error}); name another place with {option}"
        ) from None
