"""``case.toml`` edited act by act: what a person wrote there stays, comments and order included.

Every act is checked by the same reader that ``summarise`` uses before it is written; the file is replaced whole. An
edit names the version of the file that it was made on (a hash of its bytes): where another tab, another program or a
person has written since, nothing is written and the edit is refused. Undo and redo go back to the very bytes that
were there, and only as long as nobody else has written since.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import threading
import tomllib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..base import CaseFileError, InputError, MineralizeError
from .case_acts import done
from .shelf import write_whole

NONE = "none"
"""The version of a file that is not there."""
MOST_STEPS = 200
"""Acts that can be undone."""
_LOCKS: dict[Path, threading.Lock] = {}
_GUARD = threading.Lock()


class Conflict(MineralizeError):
    """The file was changed since the page read it."""

    def __init__(self) -> None:
        super().__init__(
            "this case was changed elsewhere since this page read it (another tab, or case.toml by hand); nothing "
            "was lost: the page now shows what is there, repeat your last act if it is still wanted"
        )


@dataclass(frozen=True)
class Held:
    """``case.toml`` as it is: its version, what it says as plain data, and whether acts can be undone or redone."""

    version: str
    table: Mapping[str, Any]
    undo: int
    redo: int


def read(path: Path, journal: Path) -> Held:
    """The file and its version; CaseFileError where it is not TOML."""
    data = _bytes(path)
    past, future, now = _journal(journal)
    known = now == _version(data)
    return Held(_version(data), _table(data), len(past) if known else 0, len(future) if known else 0)


def apply(path: Path, journal: Path, version: str, act: Mapping[str, Any], check: Callable[[bytes], None]) -> Held:
    """Do one act on the file.

    Parameters
    ----------
    version : of the file that the act was made on.
    act : ``{"do": name, ...}``, see :mod:`.case_acts`.
    check : raises where the file as it would become is not acceptable; then nothing is written.

    Raises
    ------
    Conflict
        when the file is not of that version any more.
    InputError
        when the act is unknown or malformed.
    """
    with _alone(path, journal):
        data = _expected(path, version)
        try:
            text = data.decode("utf-8")
        except UnicodeDecodeError as error:
            raise CaseFileError("case.toml is not UTF-8 text; save it as UTF-8") from error
        fresh = done(text, act).encode("utf-8")
        check(fresh)
        past, _, now = _journal(journal)
        past = past if now == version else []
        _save(journal, [*past, text if version != NONE else None][-MOST_STEPS:], [], fresh)
        write_whole(path, fresh)
    return read(path, journal)


def step(path: Path, journal: Path, version: str, *, back: bool) -> Held:
    """Undo (``back``) or redo the last act; Conflict where others have written since."""
    with _alone(path, journal):
        data = _expected(path, version)
        past, future, now = _journal(journal)
        source = past if back else future
        if now != version or not source:
            raise InputError("there is nothing to undo" if back else "there is nothing to do again")
        text = source.pop()
        (future if back else past).append(data.decode("utf-8") if version != NONE else None)
        fresh = None if text is None else text.encode("utf-8")
        _save(journal, past, future, fresh)
        if fresh is None:
            path.unlink(missing_ok=True)
        else:
            write_whole(path, fresh)
    return read(path, journal)


@contextlib.contextmanager
def _alone(path: Path, journal: Path) -> Iterator[None]:
    """No other edit of this file meanwhile, neither in this server nor in another one on the same folder."""
    with _GUARD:
        lock = _LOCKS.setdefault(path, threading.Lock())
    with lock:
        journal.parent.mkdir(parents=True, exist_ok=True)
        with open(journal.with_suffix(".lock"), "ab") as stream:
            try:
                import fcntl
            except ImportError:  # not on this system; the lock above still keeps the tabs of one server apart
                yield
                return
            fcntl.flock(stream.fileno(), fcntl.LOCK_EX)
            yield


def _expected(path: Path, version: str) -> bytes:
    data = _bytes(path)
    if _version(data) != version:
        raise Conflict
    return data or b""


def _bytes(path: Path) -> bytes | None:
    if path.is_symlink():
        raise InputError("case.toml is a link; put the file itself in the case folder")
    try:
        return path.read_bytes()
    except FileNotFoundError:
        return None
    except OSError as error:
        cause = os.strerror(error.errno).lower() if error.errno else "unknown cause"
        raise InputError(f"case.toml could not be read ({cause})") from error


def _version(data: bytes | None) -> str:
    return NONE if data is None else hashlib.sha256(data).hexdigest()[:20]


def _table(data: bytes | None) -> Mapping[str, Any]:
    try:
        return tomllib.loads((data or b"").decode("utf-8"))
    except (ValueError, RecursionError) as error:
        raise CaseFileError("case.toml is not valid TOML; correct it by hand") from error


def _journal(path: Path) -> tuple[list[str | None], list[str | None], str]:
    try:
        held = json.loads(path.read_text(encoding="utf-8"))
        return list(held["past"]), list(held["future"]), str(held["now"])
    except (OSError, ValueError, KeyError, TypeError):
        return [], [], ""


def _save(path: Path, past: list[str | None], future: list[str | None], fresh: bytes | None) -> None:
    """Written before the file: where the program dies in between, its version matches no file and it is ignored."""
    held = {"past": past, "future": future, "now": _version(fresh)}
    write_whole(path, json.dumps(held).encode())
