"""Which files a case consists of: a folder of any depth, a DICOMDIR, or an archive.

Names never matter and never leave: a file is known by its number in sorted order.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from ..base import InputError
from . import archives

LARGEST_COUNT = 200_000
"""Files in one case; a whole-body history of many scans has some ten thousand."""
SKIPPED = {"case.toml", ".ds_store", "thumbs.db", "desktop.ini"}
ARCHIVES = (".zip", ".tar", ".tar.gz", ".tgz", ".tar.xz", ".tar.bz2")


@dataclass(frozen=True)
class Gathered:
    """Files in sorted order, the case file if there is one, and how many links and odd entries were passed over."""

    files: tuple[str, ...]
    case_file: str | None
    passed_over: int = 0
    archives: int = 0


def gather(path: str | os.PathLike[str]) -> Gathered:
    """All files of a case.

    Raises
    ------
    InputError
        when there is nothing to read, or an archive goes beyond the limits of :mod:`.archives`.
    """
    root = Path(path)
    try:
        if root.is_dir():
            return _folder(root)
        if root.is_file():
            if archives.is_archive(root):
                return _unpacked(root)
            if root.name.upper().startswith("DICOMDIR"):
                return _folder(root.parent)
            return Gathered((str(root),), None)
        if root.exists():
            raise InputError("expected a folder, an archive or a DICOMDIR, found something else; give the case folder")
    except PermissionError:
        raise InputError("there is no permission to read the case folder; ask for read access") from None
    except OSError:
        raise InputError("the case folder could not be read; check the disk and the path") from None
    raise InputError("the case folder does not exist; check the path")


def _folder(root: Path) -> Gathered:
    seen_folders: set[tuple[int, int]] = set()
    found: list[str] = []
    packed: list[Path] = []
    case_file: str | None = None
    passed_over = 0
    for folder, names, files in os.walk(root, followlinks=True, onerror=None):
        try:
            status = os.stat(folder)
        except OSError:
            names[:] = []
            continue
        if (status.st_dev, status.st_ino) in seen_folders:  # a link that leads back up
            names[:] = []
            passed_over += 1
            continue
        seen_folders.add((status.st_dev, status.st_ino))
        names.sort()
        for name in sorted(files):
            full = os.path.join(folder, name)
            if not os.path.isfile(full):
                passed_over += 1
            elif name.lower() == "case.toml":
                if Path(folder) == root:
                    case_file = full
            elif name.lower() in SKIPPED or name.startswith("._"):
                continue
            elif archives.is_archive(full):
                packed.append(Path(full))
            else:
                found.append(full)
            if len(found) > LARGEST_COUNT:
                raise InputError(f"more than {LARGEST_COUNT} files in the case; give the folder of one patient")
    if not os.access(root, os.R_OK | os.X_OK):
        raise InputError("there is no permission to read the case folder; ask for read access")
    good = len(packed)
    for archive in packed:
        try:
            inner = _unpacked(archive)
        except archives.DamagedArchive:
            found.append(str(archive))  # it is reported with the other files that are no DICOM
            good -= 1
            continue
        found += inner.files
        passed_over += inner.passed_over
        case_file = case_file or inner.case_file
    return Gathered(tuple(found), case_file, passed_over, good)


def _unpacked(archive: Path) -> Gathered:
    unpacked = archives.unpack(archive)
    return Gathered(unpacked.files, unpacked.case_file, unpacked.passed_over, 1)
