"""What runs that were killed left beside (or inside) a results folder: put right, then cleared away.

A hidden folder whose maker still lives is held by it (:func:`.exchange.hold`) and left alone. Of what is cleared only
files that we wrote are deleted; anything else is moved into the results folder.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import shutil
from pathlib import Path

from .exchange import hold, locked
from .marker import MARKER, UNFINISHED, Kept, digest_of, entries, is_litter, is_recorded, kept, ours

NEW, OLD = f"{MARKER}-new-", f"{MARKER}-old-"
_ALL = f"{MARKER}-all"
"""In a folder of old entries moved aside: all of them are there, so what was begun is gone through with."""


def clear(out: Path) -> None:
    """Put right and clear away what dead runs left of their work on ``out``."""
    key = hashlib.sha256(os.fsencode(out.name)).hexdigest()[:8]
    with contextlib.suppress(FileNotFoundError, NotADirectoryError):
        (out / UNFINISHED).unlink()  # dead right after the results took their place
    for place in (out.parent, out):
        found = _hidden(place, key)
        if not found:
            continue
        with locked(place):
            for path in found:
                with contextlib.suppress(FileNotFoundError, BlockingIOError):
                    handle = hold(path)
                    try:
                        _clear_dead(path, out)
                    finally:
                        if handle is not None:
                            os.close(handle)


def _hidden(place: Path, key: str) -> list[Path]:
    """Old ones first: they may have to go back before anything else is looked at."""
    try:
        names = sorted(entry.name for entry in os.scandir(place) if entry.is_dir(follow_symlinks=False))
    except OSError:
        return []
    return [place / name for kind in (OLD, NEW) for name in names if name.startswith(f"{kind}{key}-")]


def _clear_dead(path: Path, out: Path) -> None:
    if path.parent == out:
        _settle_inside(path, out)
    elif path.name.startswith(OLD) and not out.exists():
        path.rename(out)
        return
    if path.exists():
        clear_one(path, out)


def clear_one(path: Path, out: Path) -> None:
    """Remove a hidden folder; what in it is not ours, or changed since, is moved into ``out``."""
    if not path.is_dir():
        return
    if (path / UNFINISHED).exists():
        shutil.rmtree(path, ignore_errors=True)
        return
    known = kept(path)
    for name in sorted(entries(path), key=lambda name: name == MARKER):  # what tells ours from theirs goes last
        source = path / name
        with contextlib.suppress(FileNotFoundError):
            if name == _ALL or _spare(source, name, known, out):
                source.unlink()
            elif out.is_dir():
                _rescue(source, out, name)
    for where, folders, _ in os.walk(path, topdown=False):
        for folder in folders:
            with contextlib.suppress(OSError):
                Path(where, folder).rmdir()
    with contextlib.suppress(OSError):
        path.rmdir()


def _spare(source: Path, name: str, known: Kept, out: Path) -> bool:
    """Whether a file need not be kept: ours, or there a second time."""
    if is_recorded(name) or is_litter(name) or not ours(source.parents[name.count("/")], name, known):
        there = out / name
        if source.is_symlink() and there.is_symlink():
            return os.readlink(source) == os.readlink(there)
        same = digest_of(source)
        return bool(same) and same == digest_of(there)
    return True


def _rescue(source: Path, out: Path, name: str) -> None:
    """Move a file into the results folder, beside its namesake where there is one."""
    target = out / name
    count = 0
    while os.path.lexists(target):
        count += 1
        target = (out / name).with_name(f"{source.stem} (kept {count}){source.suffix}")
    target.parent.mkdir(parents=True, exist_ok=True)
    source.rename(target)


# -- a folder that cannot be renamed


def swap_inside(out: Path, fresh: Path) -> None:
    """Move what lies in ``out`` aside and the fresh entries up; undone where one cannot be moved."""
    aside = fresh.with_name(OLD + fresh.name.removeprefix(NEW))
    old = [p for p in out.iterdir() if not p.name.startswith((NEW, OLD))]
    moved: list[tuple[Path, Path]] = []

    def move(entry: Path, home: Path) -> None:
        entry.rename(home / entry.name)
        moved.append((home / entry.name, entry))

    try:
        aside.mkdir()
        for entry in old:
            move(entry, aside)
        (aside / _ALL).touch()
        for entry in _to_move(fresh):
            move(entry, out)
    except OSError:
        for there, back in reversed(moved):
            with contextlib.suppress(OSError):
                there.rename(back)
        with contextlib.suppress(OSError):
            (aside / _ALL).unlink(missing_ok=True)
            aside.rmdir()
        raise
    shutil.rmtree(fresh)
    clear_one(aside, out)


def _to_move(folder: Path) -> list[Path]:
    """The marker last: what it lists is there when it is."""
    found = [p for p in folder.iterdir() if p.name not in (UNFINISHED, _ALL)]
    return sorted(found, key=lambda p: p.name == MARKER)


def _settle_inside(path: Path, out: Path) -> None:
    """Finish or take back a move that was cut short."""
    if not path.name.startswith(OLD):
        return
    fresh = path.with_name(NEW + path.name.removeprefix(OLD))
    forward = (path / _ALL).exists()
    source = fresh if forward else path
    if not source.is_dir():
        return
    for entry in _to_move(source):
        try:
            entry.rename(out / entry.name)
        except OSError as error:
            if error.errno not in (errno.ENOTEMPTY, errno.EEXIST, errno.ENOTDIR, errno.EISDIR):
                raise
