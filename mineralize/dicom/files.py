"""Which files a case consists of: a folder of any depth, a DICOMDIR, or an archive.

Names never matter and never leave: a file is known by its number in sorted order.
"""

from __future__ import annotations

import os
import stat
from dataclasses import dataclass, replace
from pathlib import Path

from ..base import InputError
from . import archives
from .private import clear_leftovers

LARGEST_COUNT = 200_000
"""Files in one case; a whole-body history of many scans has some ten thousand."""
SKIPPED = {"case.toml", ".ds_store", "thumbs.db", "desktop.ini"}
OWN_FOLDER = "mineralize-results"
"""Where the review page keeps results beside the cases, or in a case that is served alone: no input."""


DEEPEST_ARCHIVE = 3
"""An archive in an archive in an archive is still opened."""


@dataclass(frozen=True)
class Gathered:
    """Files in sorted order, the case file if there is one, and what was not taken.

    ``passed_over`` counts links and special files, ``unread`` folders and files that could not be opened, ``archives``
    those that were unpacked; ``refused`` says why others were not, one sentence each.
    """

    files: tuple[str, ...]
    case_file: str | None
    passed_over: int = 0
    archives: int = 0
    unread: int = 0
    refused: tuple[str, ...] = ()


def gather(path: str | os.PathLike[str]) -> Gathered:
    """All files of a case.

    Raises
    ------
    InputError
        when there is nothing to read, or an archive that was named goes beyond the limits of :mod:`.archives`.
    """
    root = Path(path)
    clear_leftovers()
    try:
        if root.is_dir():
            return _folder(root)
        if root.is_file():
            if archives.is_archive(root):
                opened = _Opened()
                opened.take(root, 1)
                return opened.gathered()
            if root.name.upper().startswith("DICOMDIR"):
                return _folder(root.parent)
            return Gathered((str(root),), None)
        if root.exists():
            raise InputError("expected a folder, an archive or a DICOMDIR, found something else; give the case folder")
    except PermissionError:
        raise InputError("there is no permission to read the case folder; ask for read access") from None
    except OSError as error:
        if isinstance(error, InputError):
            raise
        raise InputError("the case folder could not be read; check the disk and the path") from None
    except ValueError as error:  # a path that no file system can hold
        if isinstance(error, InputError):
            raise
        raise InputError("the case folder does not exist; check the path") from None
    raise InputError("the case folder does not exist; check the path")


def _folder(root: Path) -> Gathered:
    walk = _Walk(root)
    walk.run()
    if not os.access(root, os.R_OK | os.X_OK):
        raise InputError("there is no permission to read the case folder; ask for read access")
    opened = _Opened(walk.case_file)
    for archive in walk.packed:
        try:
            opened.take(archive, 1)
        except archives.NoRoom:
            raise
        except archives.DamagedArchive:
            opened.files.append(str(archive))  # it is reported with the other files that are no DICOM
        except InputError as error:
            opened.refused.append(str(error))
    found = opened.gathered()
    return replace(
        found,
        files=(*walk.found, *found.files),
        passed_over=found.passed_over + walk.passed_over,
        unread=walk.unread,
    )


class _Walk:
    """A folder of any depth. Links to folders are followed once, but not out to where the case itself lies."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.found: list[str] = []
        self.packed: list[Path] = []
        self.case_file: str | None = None
        self.passed_over = self.unread = 0
        self._seen: set[tuple[int, int]] = set()
        self._above = {_identity(parent) for parent in Path(os.path.realpath(root)).parents}
        self._entries = 0

    def run(self) -> None:
        for folder, names, files in os.walk(self.root, followlinks=True, onerror=self._unreadable):
            try:
                here = _identity(folder)
            except OSError:
                self.unread += 1
                names[:] = []
                continue
            if here in self._seen or here in self._above:  # a link that leads back up, or to the whole disk
                names[:] = []
                self.passed_over += 1
                continue
            self._seen.add(here)
            names[:] = sorted(name for name in names if name != OWN_FOLDER)
            self._count(len(names))
            for name in sorted(files):
                self._count(1)
                self._file(folder, name)

    def _unreadable(self, error: OSError) -> None:
        if error.filename is None or Path(error.filename) != self.root:
            self.unread += 1

    def _count(self, more: int) -> None:
        self._entries += more
        if self._entries > LARGEST_COUNT:
            raise InputError(f"more than {LARGEST_COUNT} files in the case; give the folder of one patient")

    def _file(self, folder: str, name: str) -> None:
        full = os.path.join(folder, name)
        if name.lower() == "case.toml":
            if Path(folder) == self.root:
                self.case_file = full  # whatever it is: who reads it says so
            return
        if name.lower() in SKIPPED or name.startswith("._"):
            return
        try:
            regular = stat.S_ISREG(os.stat(full).st_mode)
        except FileNotFoundError:
            regular = False  # a link to nowhere
        except OSError:
            self.unread += 1  # a path too long to be opened, a disk that fails
            return
        if not regular:
            self.passed_over += 1
        elif archives.is_archive(full):
            self.packed.append(Path(full))
        else:
            self.found.append(full)


def _identity(folder: str | Path) -> tuple[int, int]:
    status = os.stat(folder)
    return status.st_dev, status.st_ino


class _Opened:
    """What came out of archives, and of archives within them."""

    def __init__(self, case_file: str | None = None) -> None:
        self.files: list[str] = []
        self.refused: list[str] = []
        self._case_file = case_file
        self._passed_over = self._archives = 0
        self._budget = archives.Budget()

    def take(self, archive: Path, depth: int) -> None:
        """All of an archive.

        Raises
        ------
        InputError
            when it is damaged, encrypted or beyond a limit; one within another is then only noted.
        """
        unpacked = archives.unpack(archive, self._budget, within=depth > 1)
        self._archives += 1
        self._passed_over += unpacked.passed_over
        self._case_file = self._case_file or unpacked.case_file
        for path in unpacked.files:
            if not archives.is_archive(path):
                self.files.append(path)
                continue
            if depth >= DEEPEST_ARCHIVE:
                self.refused.append(
                    f"archives lie more than {DEEPEST_ARCHIVE} deep in each other; unpack them yourself"
                )
                continue
            try:
                self.take(Path(path), depth + 1)
            except archives.NoRoom:
                raise
            except archives.DamagedArchive:
                self.files.append(path)
            except InputError as error:
                self.refused.append(str(error))

    def gathered(self) -> Gathered:
        return Gathered(
            tuple(self.files), self._case_file, self._passed_over, self._archives, refused=tuple(self.refused)
        )
