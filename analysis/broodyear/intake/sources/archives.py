"""Archives of tables: each file is unpacked under a name of our own, and none may grow without end."""

from __future__ import annotations

import tempfile
import zipfile
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path, PurePosixPath

from broodyear.errors import UnreadableFile

#: What an archive may unpack to in any case; beyond it only at an honest ratio for tables.
UNPACKED_FREELY = 100_000_000
LARGEST_RATIO = 100
LARGEST_UNPACKED = 64_000_000_000
MOST_FILES = 10_000
_PIECE = 1 << 20


#: How the bytes of a zip archive begin.
ARCHIVE = (b"PK\x03\x04", b"PK\x05\x06")


def is_archive(path: Path, name: str) -> bool:
    """Whether a file is a zip archive, by its ending and its first bytes."""
    return name.lower().endswith(".zip") and begins_with(path, *ARCHIVE)


def begins_with(path: Path, *marks: bytes) -> bool:
    """Whether the bytes of a file begin with one of some marks."""
    try:
        with path.open("rb") as file:
            return file.read(max(map(len, marks))).startswith(marks)
    except OSError:
        return False


def in_archive(
    path: Path, scratch: Path, not_read: Callable[[str], str | None]
) -> Iterator[tuple[str, Path, str | None]]:
    """The files of an archive as (path inside it, unpacked file, why it is not read when it is not).

    Raises UnreadableFile for an archive that is broken, empty of tables, or unpacks to absurd size.
    """
    allowance = Allowance(path)
    unpacked = Path(tempfile.mkdtemp(dir=scratch))
    found = False
    with open_archive(path) as archive:
        for number, member in enumerate(_members(archive)):
            reason = _refused(member) or not_read(PurePosixPath(member.filename).name)
            inner = unpacked / str(number)
            if reason is None:
                found = True
                _unpack(archive, member, inner, allowance)
            yield member.filename, inner, reason
    if not found:
        raise UnreadableFile("the archive holds no table", "Send the tables themselves, or an archive of them.")


def open_archive(path: Path) -> zipfile.ZipFile:
    """The archive at ``path``. Raises UnreadableFile when it is broken."""
    try:
        return zipfile.ZipFile(path)
    except (zipfile.BadZipFile, OSError, ValueError):
        raise UnreadableFile("the archive is broken or was cut off", "Pack it again and send that.") from None


class Allowance:
    """How many bytes may still be unpacked from one packed file."""

    def __init__(self, path: Path, called: str = "file") -> None:
        self._called = called
        self._limit = min(max(UNPACKED_FREELY, path.stat().st_size * LARGEST_RATIO), LARGEST_UNPACKED)
        self._used = 0

    def use(self, size: int) -> None:
        """Take ``size`` bytes. Raises UnreadableFile when that is more than may be."""
        self._used += size
        if self._used > self._limit:
            raise UnreadableFile(
                f"the {self._called} unpacks to more than {self._limit // 1_000_000} MB, which no table does",
                "Send it unpacked, or check where it came from.",
            )


def _members(archive: zipfile.ZipFile) -> list[zipfile.ZipInfo]:
    members = [member for member in archive.infolist() if not member.is_dir()]
    if len(members) > MOST_FILES:
        raise UnreadableFile(
            f"the archive holds {len(members):,} files; at most {MOST_FILES:,} are read", "Send fewer at a time."
        )
    return sorted(members, key=lambda member: member.filename)


def _refused(member: zipfile.ZipInfo) -> str | None:
    parts = PurePosixPath(member.filename.replace("\\", "/")).parts
    if ".." in parts or member.filename.startswith(("/", "\\")) or (parts and ":" in parts[0]):
        return "its path leads out of the archive"
    if any(part.startswith(".") or part == "__MACOSX" for part in parts):
        return "a hidden file"
    return "it is locked with a password" if member.flag_bits & 1 else None


def _unpack(archive: zipfile.ZipFile, member: zipfile.ZipInfo, path: Path, allowance: Allowance) -> None:
    try:
        with archive.open(member) as packed, path.open("wb") as out:
            while piece := packed.read(_PIECE):
                allowance.use(len(piece))
                out.write(piece)
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, OSError):
        raise UnreadableFile(
            f"{member.filename} in the archive is broken, or packed in a way that is not read",
            "Pack the archive again and send that.",
        ) from None
