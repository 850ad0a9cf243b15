"""What is dropped in: files one by one into a place of their own, then one rename makes them a case.

Names of what was dropped are never used: files become numbers, so no path can climb out and no name can stay. Archives
are unpacked with the limits of the reader (count, size, ratio). What is no DICOM is left out and counted.
"""

from __future__ import annotations

import os
import re
import shutil
import tomllib
from collections.abc import AsyncIterator
from dataclasses import dataclass
from pathlib import Path

from ..base import InputError, MineralizeError, OutputError
from ..dicom import is_archive, unpack
from ..timeline import parse_case_file
from . import words
from .case_acts import done
from .shelf import Case, Shelf

MOST_FILES = 100_000
LEAST_FREE = 2**30
"""Bytes that stay free on the disk."""
_DROP = re.compile(r"[0-9a-f]{16}")


@dataclass(frozen=True)
class Taken:
    """What became of a drop."""

    case: Path
    files: int
    set_aside: int


class Intake:
    """Drops under way. A drop that is never finished is removed when the server ends."""

    def __init__(self, shelf: Shelf) -> None:
        self._shelf = shelf
        self._drops: dict[str, Path] = {}

    def begin(self) -> str:
        """A new drop; returns its name."""
        place = self._shelf.fresh_folder()
        name = place.name.removeprefix("drop-")
        self._drops[name] = place
        return name

    async def take(self, drop: str, number: int, stream: AsyncIterator[bytes], *, case_file: bool) -> None:
        """Write one file while it comes in."""
        place = self._place(drop)
        if not 0 <= number < MOST_FILES:
            raise InputError(f"more than {MOST_FILES} files; drop in one patient at a time")
        path = place / ("case.toml" if case_file else f"{number:06d}")
        fresh = place / f".part-{number:06d}"
        try:
            with open(fresh, "xb") as out:
                async for part in stream:
                    if shutil.disk_usage(place).free - len(part) < LEAST_FREE:
                        raise InputError(words.NO_ROOM)
                    out.write(part)
            fresh.replace(path)
        except FileExistsError:
            raise InputError("this file is coming in already") from None
        except OSError as error:
            cause = os.strerror(error.errno).lower() if error.errno else "unknown cause"
            raise OutputError(f"the file could not be kept ({cause})") from error
        finally:
            fresh.unlink(missing_ok=True)

    def finish(self, drop: str, into: Case | None, alias: str) -> Taken:
        """Make a drop a case, or a part of the case ``into``.

        Raises
        ------
        InputError
            where nothing of it can be used; then nothing is kept.
        """
        place = self._place(drop)
        del self._drops[drop]
        try:
            total, kept = _sorted_out(place)
            if not kept:
                raise InputError(words.NOTHING_DROPPED)
            if into is not None:
                (place / "case.toml").unlink(missing_ok=True)  # the case has its own
                target = _free_name(into.folder, "added")
            else:
                _name_case(place, alias)
                target = self._shelf.new_case_folder()
            place.rename(target)
        except MineralizeError:
            shutil.rmtree(place, ignore_errors=True)
            raise
        except OSError as error:
            shutil.rmtree(place, ignore_errors=True)
            cause = os.strerror(error.errno).lower() if error.errno else "unknown cause"
            raise OutputError(f"what was dropped in could not be kept ({cause})") from error
        return Taken(target, kept, total - kept)

    def give_up(self, drop: str) -> None:
        """Remove a drop."""
        shutil.rmtree(self._place(drop), ignore_errors=True)
        self._drops.pop(drop, None)

    def close(self) -> None:
        for drop in list(self._drops):
            self.give_up(drop)

    def _place(self, drop: str) -> Path:
        if not _DROP.fullmatch(drop) or drop not in self._drops:
            raise InputError("this drop is not under way any more; drop the files in again")
        return self._drops[drop]


def unpack_case(shelf: Shelf, case: Case) -> Case:
    """A case that is an archive, unpacked beside itself, so that ``case.toml`` can be kept in it."""
    place = shelf.fresh_folder()
    try:
        held = unpack(case.folder)
        for number, path in enumerate(held.files):
            shutil.move(path, place / f"{number:06d}")
        if held.case_file is not None:
            shutil.move(held.case_file, place / "case.toml")
        place.rename(case.folder.with_suffix(""))
    except MineralizeError:
        shutil.rmtree(place, ignore_errors=True)
        raise
    except OSError as error:
        shutil.rmtree(place, ignore_errors=True)
        cause = os.strerror(error.errno).lower() if error.errno else "unknown cause"
        raise OutputError(f"the archive could not be unpacked ({cause})") from error
    return shelf.case(case.key)


def _sorted_out(place: Path) -> tuple[int, int]:
    """(files that came, files that are kept): archives unpacked, what is no DICOM removed."""
    total = kept = 0
    for path in sorted(p for p in place.iterdir() if p.is_file() and p.name != "case.toml"):
        if is_archive(path):
            held = unpack(path)
            path.unlink()
            inner = place / path.name
            inner.mkdir()
            for number, unpacked in enumerate(held.files):
                shutil.move(unpacked, inner / f"{number:06d}")
            if held.case_file is not None and not (place / "case.toml").exists():
                shutil.move(held.case_file, place / "case.toml")
            files = sorted(inner.iterdir())
        else:
            files = [path]
        for file in files:
            total += 1
            if _is_dicom(file):
                kept += 1
            else:
                file.unlink()
    for folder in (p for p in place.iterdir() if p.is_dir() and not any(p.iterdir())):
        folder.rmdir()
    return total, kept


def _is_dicom(path: Path) -> bool:
    """Whether the first bytes are those of a DICOM file (PS3.10 7.1), or of one without preamble (group 0002, 0008)."""
    with open(path, "rb") as stream:
        start = stream.read(132)
    return start[128:] == b"DICM" or start[:2] in (b"\x02\x00", b"\x08\x00")


def _name_case(place: Path, alias: str) -> None:
    """Give the case its alias, unless it brought a ``case.toml`` that names one."""
    path = place / "case.toml"
    if path.exists():
        try:
            parse_case_file(tomllib.loads(path.read_text(encoding="utf-8")))
        except (OSError, ValueError) as error:
            raise InputError(
                str(error) if isinstance(error, MineralizeError) else "case.toml is not valid TOML"
            ) from None
        if "alias" in tomllib.loads(path.read_text(encoding="utf-8")):
            return
    if alias.strip():
        text = path.read_text(encoding="utf-8") if path.exists() else ""
        path.write_text(done(text, {"do": "alias", "alias": alias}), encoding="utf-8")


def _free_name(folder: Path, name: str) -> Path:
    number = 1
    while (folder / f"{name}-{number:03d}").exists():
        number += 1
    return folder / f"{name}-{number:03d}"
