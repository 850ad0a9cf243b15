"""A results folder that is written whole or not at all, and never over what others wrote."""

from __future__ import annotations

import contextlib
import os
import secrets
import shutil
from collections.abc import Iterator
from pathlib import Path

from ..base import InputError, OutputError
from ..results import impression, texts

MARKER = ".mineralize"
"""Names every file that was written into an output folder; only a folder with nothing else is ever replaced."""
_NEW, _OLD = f"{MARKER}-new-", f"{MARKER}-old-"


def write_text(path: Path, text: str) -> None:
    """UTF-8, line ends as they are in ``text``."""
    path.write_text(text, encoding="utf-8", newline="")


def check_output(out: Path) -> None:
    """Refuse early what could not be written at the end.

    Raises
    ------
    OutputError
        where ``out`` is a file, holds files of others, or cannot be written to.
    """
    _refuse_foreign(out)
    place = out.absolute()
    while not place.exists():
        place = place.parent
    if not place.is_dir():
        raise OutputError(texts.OUT_FILE)
    if out.exists() and not _fixed(out.absolute()):
        place = place.parent
    probe = place / f"{_NEW}{secrets.token_hex(4)}"
    try:
        probe.mkdir()
        probe.rmdir()
    except OSError as error:
        raise failed(error) from error


@contextlib.contextmanager
def whole_folder(out: Path) -> Iterator[Path]:
    """A fresh folder that becomes ``out`` when the block ends well.

    It lies beside ``out`` and takes its place by one rename. Where ``out`` itself cannot be renamed (a mount point,
    or a folder in one that cannot be written to) it lies inside, and its entries are moved up one by one. An ``out``
    that holds only files written by this function before is replaced, recorded impressions being carried over;
    anything else is refused.
    """
    _refuse_foreign(out)
    out = out.absolute()
    inside = out.exists() and _fixed(out)
    token = secrets.token_hex(4)
    place = out if inside else out.parent
    fresh, aside = place / f"{_NEW}{token}", place / f"{_OLD}{token}"
    made: list[Path] = []
    try:
        for parent in reversed([p for p in out.parents if not p.exists()]):
            parent.mkdir()
            made.append(parent)
        fresh.mkdir()
        yield fresh
        impression.carry_over(out, fresh)
        names = sorted(p.relative_to(fresh).as_posix() for p in fresh.rglob("*") if p.is_file())
        write_text(fresh / MARKER, "".join(f"{name}\n" for name in names))
        if inside:
            _swap_inside(out, fresh, aside)
        else:
            if out.exists():
                out.rename(aside)
            fresh.rename(out)
    except BaseException as error:
        shutil.rmtree(fresh, ignore_errors=True)
        if not inside and aside.exists() and not out.exists():
            aside.rename(out)
        for parent in reversed(made):
            with contextlib.suppress(OSError):
                parent.rmdir()
        if isinstance(error, OSError) and not isinstance(error, OutputError | InputError):
            raise failed(error) from error
        raise
    shutil.rmtree(aside, ignore_errors=True)


def _swap_inside(out: Path, fresh: Path, aside: Path) -> None:
    """Move what lies in ``out`` aside and the fresh entries up; undone where one cannot be moved."""
    old = [p for p in out.iterdir() if not p.name.startswith((_NEW, _OLD))]
    moved: list[tuple[Path, Path]] = []
    try:
        aside.mkdir()
        for entry, home in [*((p, aside) for p in old), *((p, out) for p in sorted(fresh.iterdir()))]:
            entry.rename(home / entry.name)
            moved.append((home / entry.name, entry))
    except OSError:
        for there, back in reversed(moved):
            with contextlib.suppress(OSError):
                there.rename(back)
        with contextlib.suppress(OSError):
            aside.rmdir()
        raise
    fresh.rmdir()


def _fixed(out: Path) -> bool:
    """Whether an existing folder cannot be renamed, so that only its entries can be replaced."""
    return os.path.ismount(out) or not os.access(out.parent, os.W_OK | os.X_OK)


def _refuse_foreign(out: Path) -> None:
    try:
        if not out.exists():
            return
        if not out.is_dir():
            raise OutputError(texts.OUT_FILE)
        found = {p.relative_to(out).as_posix() for p in out.rglob("*") if not p.is_dir()}
        found = {name for name in found if not name.startswith(f"{impression.FOLDER}/")}
        if not found:
            return
        marker = out / MARKER
        ours = set(marker.read_text(encoding="utf-8").splitlines()) | {MARKER} if marker.is_file() else set()
    except OSError as error:
        if isinstance(error, OutputError):
            raise
        raise failed(error) from error
    if not found <= ours:
        raise OutputError(texts.OUT_FOREIGN)


def failed(error: OSError) -> OutputError:
    """The sentence for an operating system's refusal; it names no path."""
    cause = os.strerror(error.errno).lower() if error.errno else "unknown cause"
    return OutputError(texts.OUT_FAILED.format(cause=cause))
