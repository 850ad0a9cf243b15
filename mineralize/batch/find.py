"""Which cases there are: folders and archives below a root, or the rows of a table ``case,path``."""

from __future__ import annotations

import csv
import hashlib
import os
import re
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from ..base import InputError
from ..dicom import OWN_FOLDER
from ..results import texts
from ..timeline import alias_of as given_alias

_UNNAMED = re.compile(r"case(-\d+)?", re.IGNORECASE)


@dataclass(frozen=True)
class Found:
    """One case to be: where it lies, what it is known by from run to run, and what its owner calls it.

    ``arriving``: files still come in, so it is not measured yet. ``fault``: why it cannot be measured at all.
    """

    path: Path
    key: str
    alias: str = ""
    arriving: bool = False
    fault: str = ""


def find_cases(root: Path) -> list[Path]:
    """Folders and .zip files directly in ``root``, in name order, hidden ones left out.

    Raises
    ------
    InputError
        where there are none, or ``root`` cannot be read.
    """
    found = entries(root)
    if not found:
        raise InputError(texts.BATCH_NO_CASES)
    return found


def entries(root: Path) -> list[Path]:
    """As :func:`find_cases`; there may be none yet."""
    try:
        return sorted(
            p
            for p in root.iterdir()
            if not p.name.startswith(".") and p.name != OWN_FOLDER and (p.is_dir() or p.suffix.lower() == ".zip")
        )
    except OSError as error:
        raise InputError(texts.BATCH_NO_ROOT) from error


def find(root: Path) -> list[Found]:
    """The cases of a root folder, or of a table (a ``.csv`` file with the columns ``case`` and ``path``)."""
    if root.suffix.lower() == ".csv" and root.is_file():
        return _listed(root)
    return [Found(path, path.name, alias_of(path)) for path in find_cases(root)]


def _listed(table: Path) -> list[Found]:
    try:
        with table.open(encoding="utf-8-sig", newline="") as handle:
            reader = csv.DictReader(handle, strict=True)
            columns = set(reader.fieldnames or ())
            rows = list(reader)
    except (OSError, ValueError, csv.Error) as error:
        raise InputError(texts.BATCH_TABLE_UNREADABLE) from error
    if not {"case", "path"} <= columns:
        raise InputError(texts.BATCH_TABLE_COLUMNS)
    found = []
    for number, row in enumerate(rows, 2):
        name, path = (row["case"] or "").strip(), (row["path"] or "").strip()
        if not path or not safe(name):
            raise InputError(texts.BATCH_TABLE_ROW.format(line=number))
        found.append(Found(table.parent / path, name, safe(name)))
    often = Counter(case.alias.casefold() for case in found)
    twice = next((number for number, case in enumerate(found, 2) if often[case.alias.casefold()] > 1), None)
    if twice is not None:
        raise InputError(texts.BATCH_TABLE_TWICE.format(line=twice))
    if not found:
        raise InputError(texts.BATCH_NO_CASES)
    return found


def alias_of(path: Path) -> str:
    """The alias of a case's ``case.toml`` as a folder name; empty where there is none, or one that says nothing."""
    name = safe(given_alias(path / "case.toml"))
    return "" if _UNNAMED.fullmatch(name) else name


def safe(name: str) -> str:
    """A name as a folder may have it."""
    return re.sub(r"[^A-Za-z0-9._-]+", "-", name).strip("-.")[:64]


def name_cases(found: Iterable[Found], known: dict[str, tuple[str, str]], taken: Iterable[str]) -> list[str]:
    """A folder name per case: as before, else its alias where it is unique, else its position or the next free number.

    Names of input folders are never used: they often hold a patient's name. A case that comes in between renames
    no other.

    Parameters
    ----------
    known : (name, alias) of a case by its key, from earlier runs.
    taken : names that belong to none of the cases any more.
    """
    cases = list(found)
    often = Counter(case.alias.casefold() for case in cases)
    names: list[str] = [""] * len(cases)
    used = {name.casefold() for name in taken}
    for place, case in enumerate(cases):
        name, alias = known.get(case.key, ("", ""))
        if name and alias == case.alias:
            names[place] = name
            used.add(name.casefold())
    for place, case in enumerate(cases):
        if not names[place] and case.alias and often[case.alias.casefold()] == 1 and case.alias.casefold() not in used:
            names[place] = case.alias
            used.add(case.alias.casefold())
    for place in range(len(cases)):
        if not names[place]:
            number = place + 1
            if f"case-{number:03d}" in used:
                number = 1 + max(int(name[5:]) for name in used if re.fullmatch(r"case-\d+", name))
            names[place] = f"case-{number:03d}"
            used.add(names[place])
    return names


# -- whether a case is what it was


def files_of(path: Path) -> Iterator[tuple[str, os.stat_result]]:
    """Every file of a case with its state, in sorted order; links are followed, none twice."""
    if not path.is_dir():
        yield "", path.stat()
        return
    seen: set[tuple[int, int]] = set()
    for where, folders, files in os.walk(path, followlinks=True):
        here = os.stat(where)
        if (here.st_dev, here.st_ino) in seen:
            folders[:] = []
            continue
        seen.add((here.st_dev, here.st_ino))
        folders.sort()
        for name in sorted(files):
            full = os.path.join(where, name)
            try:
                yield os.path.relpath(full, path), os.stat(full)
            except OSError:  # a link to nowhere, or gone this moment
                continue


def listing(path: Path) -> str:
    """A hash over names, sizes and times of a case's files: where it is the same, so is what is in them."""
    found = hashlib.sha256()
    try:
        for name, s in files_of(path):
            found.update(f"{name}\0{s.st_size}\0{s.st_mtime_ns}\0{s.st_ctime_ns}\0".encode("utf-8", "surrogateescape"))
    except OSError:
        return ""
    return found.hexdigest()


def content(path: Path) -> str:
    """A hash over names and content of a case's files: the same where they were only copied or touched."""
    found = hashlib.sha256()
    try:
        for name, state in files_of(path):
            if state.st_mode & 0o170000 != 0o100000:  # a pipe would be waited for, a device has no end
                continue
            held = hashlib.sha256()
            with open(path / name if name else path, "rb") as stream:
                while chunk := stream.read(2**20):
                    held.update(chunk)
            found.update(name.encode("utf-8", "surrogateescape") + b"\0" + held.digest())
    except OSError:
        return ""
    return found.hexdigest()
