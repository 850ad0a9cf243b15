"""Archives, unpacked into a private temporary folder under neutral names.

Nothing of a member's name is used for the file it becomes, so no path can climb out and no name can leak. Links and
devices are passed over. Limits on count, size and ratio, over all archives of a case together, stop what would fill the
disk; the error states which one.
"""

from __future__ import annotations

import errno
import gzip
import os
import tarfile
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, cast

from ..base import InputError
from .private import PrivateFolder

LARGEST_COUNT = 100_000
"""Members of all archives of a case."""
LARGEST_TOTAL = 16 * 2**30
"""Bytes of all of them together, unpacked."""
LARGEST_MEMBER = 4 * 2**30
LARGEST_RATIO = 200
"""Unpacked over packed size, of all archives together; CT packs 2 to 5 times, an empty volume some 100 times."""
FREE_RATIO_BYTES = 64 * 2**20
"""The ratio is looked at only beyond this many unpacked bytes."""
_CHUNK = 2**20
_ZIP = b"PK\x03\x04"


class DamagedArchive(InputError):
    """Not an archive after all, or a damaged one; in a folder it is passed over, alone it is an error."""


class NoRoom(InputError):
    """The disk is full: never passed over, since the archive itself may be good."""


@dataclass(frozen=True)
class Unpacked:
    """The unpacked files in sorted order of their member names."""

    files: tuple[str, ...]
    case_file: str | None
    passed_over: int


def is_archive(path: str | Path) -> bool:
    """Whether the first bytes say zip or tar (also compressed tar); the name decides only for compressed ones."""
    try:
        with open(path, "rb", buffering=0) as stream:
            start = stream.read(264)
    except OSError:
        return False
    if start[128:132] == b"DICM":
        return False
    if start[:4] == _ZIP or start[:4] == b"PK\x05\x06" or start[257:262] == b"ustar":
        return True
    return start[:2] == b"\x1f\x8b" or start[:6] == b"\xfd7zXZ\x00" or start[:3] == b"BZh"


class Budget:
    """What all archives of a case together may unpack to; one that is refused gives back what it took."""

    def __init__(self) -> None:
        self.count = self.total = self.packed = 0

    def member(self) -> None:
        self.count += 1
        if self.count > LARGEST_COUNT:
            raise InputError(f"the archives hold more than {LARGEST_COUNT} files; unpack what is needed yourself")

    def bytes(self, more: int, size: int) -> None:
        """``more`` bytes were unpacked, of a member that has ``size`` so far."""
        self.total += more
        if size > LARGEST_MEMBER or self.total > LARGEST_TOTAL:
            raise InputError(
                f"the archives unpack to more than {LARGEST_TOTAL // 2**30} GiB (or one file of them to more than "
                f"{LARGEST_MEMBER // 2**30} GiB); unpack what is needed yourself"
            )
        if self.total > FREE_RATIO_BYTES and self.total > LARGEST_RATIO * self.packed:
            raise InputError(
                f"the archive unpacks to more than {LARGEST_RATIO} times its size, which CT never does; unpack it "
                "yourself if you trust it"
            )


def unpack(path: Path, budget: Budget | None = None, *, within: bool = False) -> Unpacked:
    """Unpack into a temporary folder that is removed when the program ends, however it ends.

    Parameters
    ----------
    budget : shared by all archives of a case.
    within : whether the archive was itself unpacked, so that its size was counted with the one around it.

    Raises
    ------
    InputError
        when the archive is damaged, encrypted or beyond a limit. What was unpacked is removed at once.
    """
    budget = budget or Budget()
    before = (budget.count, budget.total, budget.packed)
    folder = PrivateFolder()
    try:
        budget.packed += 0 if within else max(os.path.getsize(path), 1)
        with open(path, "rb") as stream:
            zipped = stream.read(4)[:2] == b"PK"
        return _take(_zip_members(path) if zipped else _tar_members(path), folder.path, budget)
    except BaseException as error:
        folder.remove()
        budget.count, budget.total, budget.packed = before
        if isinstance(error, InputError) or not isinstance(error, Exception):
            raise
        if isinstance(error, OSError) and error.errno == errno.ENOSPC:
            raise NoRoom("no room on the disk to unpack the archive; unpack it yourself elsewhere") from None
        if isinstance(error, RuntimeError) and "encrypted" in str(error):
            raise InputError("the archive is encrypted; unpack it yourself and give the folder") from None
        raise DamagedArchive(
            "the archive is damaged or of an unknown kind; unpack it yourself and give the folder"
        ) from None


def _take(members: Iterator[tuple[str, IO[bytes] | None]], folder: str, budget: Budget) -> Unpacked:
    passed_over = 0
    named: list[tuple[str, str]] = []
    case_files: list[tuple[int, str]] = []
    for count, (name, stream) in enumerate(members):
        budget.member()
        if stream is None:
            passed_over += 1
            continue
        target = os.path.join(folder, f"{count:06d}")
        size = 0
        with stream, open(target, "wb") as out:
            while chunk := stream.read(_CHUNK):
                size += len(chunk)
                budget.bytes(len(chunk), size)
                out.write(chunk)
        base = name.replace("\\", "/").rsplit("/", 1)[-1]
        if base.lower() == "case.toml":
            case_files.append((name.count("/"), target))
        else:
            named.append((name, target))
    return Unpacked(
        tuple(target for _, target in sorted(named)), min(case_files)[1] if case_files else None, passed_over
    )


def _zip_members(path: Path) -> Iterator[tuple[str, IO[bytes] | None]]:
    with zipfile.ZipFile(path) as archive:
        for info in archive.infolist():
            if info.is_dir():
                continue
            link = (info.external_attr >> 16) & 0o170000 == 0o120000
            yield info.filename, None if link else archive.open(info)


def _tar_members(path: Path) -> Iterator[tuple[str, IO[bytes] | None]]:
    try:
        with tarfile.open(path, "r|*"):
            pass
    except tarfile.ReadError:
        with open(path, "rb") as stream:
            single = stream.read(2) == b"\x1f\x8b"
        if not single:
            raise
        yield "single", cast(IO[bytes], gzip.GzipFile(path))  # one compressed file, not an archive
        return
    with tarfile.open(path, "r|*") as archive:
        for info in archive:
            if info.isdir():
                continue
            yield info.name, archive.extractfile(info) if info.isreg() else None
