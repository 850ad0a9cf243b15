"""A results folder that is written whole or not at all, and never over what others wrote.

A run writes into a hidden folder beside the results and lets the two change places in one step. What a killed run
leaves behind is known by its name and by nobody holding it; the next run puts it right and clears it away.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import secrets
import shutil
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

from ..base import InputError, OutputError
from ..results import impression, texts
from . import leftovers
from .exchange import all_to_disk, exchange, hold, locked, to_disk
from .leftovers import NEW, OLD
from .marker import MARKER, UNFINISHED, Kept, digest_of, entries, is_litter, is_recorded, kept, strangers

PATIENCE_SECONDS = 5.0
"""How long the end of a process waits for results that are just taking their place."""
_taking_place = threading.Lock()
_begun: set[Path] = set()
"""Folders that this process is writing."""


def abandon() -> None:
    """Remove what is half-written, for a process that is about to end without unwinding; callable from any thread."""
    if _taking_place.acquire(timeout=PATIENCE_SECONDS):
        for path in list(_begun):
            if (path / UNFINISHED).exists():
                shutil.rmtree(path, ignore_errors=True)


def write_text(path: Path, text: str) -> None:
    """UTF-8, line ends as they are in ``text``; ``OSError`` where it cannot be written."""
    path.write_text(text, encoding="utf-8", newline="")


def check_output(out: Path) -> None:
    """Refuse early what could not be written at the end, and put right what a killed run left.

    Raises
    ------
    OutputError
        where ``out`` is a file, holds files of others, or cannot be written to.
    """
    out = true_place(out)
    try:
        leftovers.clear(out)
    except OSError as error:
        raise failed(error) from error
    _refuse_foreign(out)
    place = out
    while not place.exists():
        place = place.parent
    if not place.is_dir():
        raise OutputError(texts.OUT_FILE)
    if out.exists() and not _fixed(out):
        place = place.parent
    probe = place / f"{NEW}{_key(out)}-{secrets.token_hex(4)}"
    try:
        probe.mkdir()
        probe.rmdir()
    except OSError as error:
        raise failed(error) from error


@contextlib.contextmanager
def whole_folder(
    out: Path,
    *,
    secret: bytes | None = None,
    bound: tuple[str, ...] = (),
    finish: Callable[[Path], None] | None = None,
    keep_strangers: bool = False,
) -> Iterator[Path]:
    """A fresh folder that becomes ``out`` when the block ends well.

    It lies beside ``out`` and the two change places in one step. Where ``out`` itself cannot be renamed (a mount
    point, or a folder in one that cannot be written to) it lies inside, and its entries are moved up one by one. An
    ``out`` that holds only files written by this function before is replaced, recorded impressions being carried over;
    anything else is refused, or with ``keep_strangers`` carried over too. What others put there meanwhile stays.
    ``OutputError`` where it is refused or cannot be written, ``InputError`` where an impression in it was changed.

    Parameters
    ----------
    secret, bound : kept in the folder (:class:`.marker.Kept`); ``None`` keeps the secret that is there.
    finish : called with the fresh folder when nothing but its taking place is left to do, the impressions being in it.
    """
    out = true_place(out)
    made: list[Path] = []
    handle: int | None = None
    fresh = out
    number = 0
    try:
        if not keep_strangers:
            _refuse_foreign(out)
        leftovers.clear(out)
        made = _make_parents(out)
        inside = out.exists() and _fixed(out)
        place = out if inside else out.parent
        fresh = place / f"{NEW}{_key(out)}-{secrets.token_hex(4)}"
        with locked(place):  # until it is held, another run would take it for a dead one's
            fresh.mkdir()
            number = _number(fresh)
            handle = hold(fresh)
            (fresh / UNFINISHED).touch()
            _begun.add(fresh)
        yield fresh
        with locked(place), _taking_place:
            _carry_over(out, fresh, keep_strangers)
            if finish is not None:
                finish(fresh)
            _mark(fresh, Kept({}, kept(out).secret if secret is None else secret, bound), out)
            all_to_disk(fresh)
            _take_place(out, fresh, inside)
            _clear_after(out, fresh, place)
    except BaseException as error:
        _undo(fresh, number, made)
        if isinstance(error, OSError) and not isinstance(error, OutputError | InputError):
            raise failed(error) from error
        raise
    finally:
        _begun.discard(fresh)
        if handle is not None:
            os.close(handle)


def true_place(out: Path) -> Path:
    """Where a folder really lies: a link to it stays a link."""
    return Path(os.path.realpath(out))


def _key(out: Path) -> str:
    """Stands for the folder's name in the names of hidden folders beside it."""
    return hashlib.sha256(os.fsencode(out.name)).hexdigest()[:8]


def _number(path: Path) -> int:
    try:
        return path.stat().st_ino
    except OSError:
        return 0


def _make_parents(out: Path) -> list[Path]:
    made = []
    for parent in reversed([p for p in out.parents if not p.exists()]):
        with contextlib.suppress(FileExistsError):  # made by another run meanwhile
            parent.mkdir()
            made.append(parent)
    return made


def _clear_after(out: Path, fresh: Path, place: Path) -> None:
    """The mark and the old results go; the new ones are in place, so that where this fails the next run tries again."""
    with contextlib.suppress(OSError):
        (out / UNFINISHED).unlink(missing_ok=True)
        to_disk(place)
        leftovers.clear_one(fresh, out)


def _undo(fresh: Path, number: int, made: list[Path]) -> None:
    """Take away a folder that did not take its place, if it still is the one of that number, and empty parents."""
    if number and _number(fresh) == number:
        shutil.rmtree(fresh, ignore_errors=True)
    for parent in reversed(made):
        with contextlib.suppress(OSError):
            parent.rmdir()


def _carry_over(out: Path, fresh: Path, keep_strangers: bool) -> None:
    """Copy recorded impressions, checked on the way, what file managers left and, if asked, what is not ours."""
    if not out.is_dir():
        return
    impression.load_impressions(out)
    unknown = set(strangers(out)) if keep_strangers else set()
    for name in entries(out):
        if name.startswith((NEW, OLD)) or not (is_recorded(name) or is_litter(name) or name in unknown):
            continue
        target = fresh / name
        if not os.path.lexists(target):
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(out / name, target, follow_symlinks=False)


def _mark(fresh: Path, held: Kept, out: Path) -> None:
    """Write down what is in the folder by our hand."""
    theirs = set(strangers(out)) if out.is_dir() else set()
    files = {}
    for name in entries(fresh):
        if name in (MARKER, UNFINISHED) or is_recorded(name) or is_litter(name):
            continue
        digest = digest_of(fresh / name)
        if name in theirs and digest == digest_of(out / name):
            continue  # carried over
        files[name] = digest
    write_text(fresh / MARKER, Kept(files, held.secret, held.bound).text())


def _take_place(out: Path, fresh: Path, inside: bool) -> None:
    if inside:
        leftovers.swap_inside(out, fresh)
    elif not out.exists():
        try:
            fresh.rename(out)
        except OSError as error:
            if error.errno not in (errno.ENOTEMPTY, errno.EEXIST):
                raise
            _swap(out, fresh)
    else:
        _swap(out, fresh)


def _swap(out: Path, fresh: Path) -> None:
    """After it the old results lie where the fresh ones were."""
    if exchange(out, fresh):
        return
    aside = fresh.with_name(OLD + fresh.name.removeprefix(NEW))
    out.rename(aside)  # killed here, the next run moves it back
    try:
        fresh.rename(out)
    except BaseException:
        aside.rename(out)
        raise
    leftovers.clear_one(aside, out)


def _fixed(out: Path) -> bool:
    """Whether an existing folder cannot be renamed, so that only its entries can be replaced."""
    return os.path.ismount(out) or not os.access(out.parent, os.W_OK | os.X_OK)


def _refuse_foreign(out: Path) -> None:
    try:
        if not os.path.lexists(out):
            return
        if not out.is_dir():
            raise OutputError(texts.OUT_FILE)
        found = strangers(out)
    except OSError as error:
        if isinstance(error, OutputError):
            raise
        raise failed(error) from error
    if [name for name in found if not name.startswith((NEW, OLD))]:
        raise OutputError(texts.OUT_FOREIGN)


def failed(error: OSError) -> OutputError:
    """The sentence for an operating system's refusal; it names no path."""
    cause = os.strerror(error.errno).lower() if error.errno else "unknown cause"
    return OutputError(texts.OUT_FAILED.format(cause=cause))
