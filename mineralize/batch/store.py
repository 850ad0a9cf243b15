"""What a batch remembers from run to run, in files of its output folder only.

``.mineralize-cases/`` holds a small file per case: what its input and settings were when it was measured, and what
came of it. Every file is replaced whole, so a run may be killed at any moment. Inputs are known by a hash of where they
lie, keyed with a secret that the folder keeps: their names may be a patient's.
"""

from __future__ import annotations

import contextlib
import hashlib
import hmac
import json
import os
import secrets
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import Any

from .. import __version__
from ..base import InputError, read_json
from ..cases import MARKER, Kept, Request, digest_of, failed, kept, secret_of
from ..results import record
from . import find
from .find import Found
from .job import Done, Report

CASES = f"{MARKER}-cases"
HISTORY = "history.json"
KINDS = {"str": str, "int": int, "bool": bool}
NEXT = " (next)"
"""After a table's name in the marker: the hash of the one that is about to take its place."""


@dataclass(frozen=True)
class State:
    """One case as it was when it was measured last. ``history`` is the hash of its record."""

    name: str
    alias: str
    listing: str = ""
    content: str = ""
    asked: str = ""
    history: str = ""
    report: Report | None = None


class Store:
    """State of all cases of an output folder.

    Raises
    ------
    OutputError
        where the folder cannot be written.
    """

    def __init__(self, out: Path) -> None:
        self.out = out
        self._states: dict[str, State] = {}
        try:
            out.mkdir(parents=True, exist_ok=True)
            (out / CASES).mkdir(exist_ok=True)
            secret = secret_of(out)
            if kept(out).secret != secret:
                self.mark(dict(kept(out).files), secret)
            self.secret = secret
            for entry in os.scandir(out / CASES):
                if entry.name.endswith(".json"):
                    with contextlib.suppress(InputError):  # measured again
                        self._states[entry.name.removesuffix(".json")] = _state(Path(entry.path))
                elif entry.name.endswith(".new"):  # of a run that was killed
                    os.unlink(entry.path)
        except OSError as error:
            raise failed(error) from error

    def mark(self, files: Mapping[str, str], secret: bytes | None = None) -> None:
        """Write down which tables, of which content, are ours."""
        write_whole(self.out / MARKER, Kept(files, self.secret if secret is None else secret).text())

    def hashed(self, key: str) -> str:
        """A case's key as it may be written down."""
        return hmac.new(self.secret, key.encode("utf-8", "surrogateescape"), hashlib.sha256).hexdigest()[:32]

    def names(self, found: list[Found]) -> list[str]:
        """A folder name per case, the same as in earlier runs."""
        keys = {self.hashed(case.key) for case in found}
        known = {case.key: (s.name, s.alias) for case in found if (s := self._states.get(self.hashed(case.key)))}
        taken = [state.name for key, state in self._states.items() if key not in keys]
        names = find.name_cases(found, known, taken)
        for case, name in zip(found, names, strict=True):
            held = self._states.get(self.hashed(case.key))
            if held is None or (held.name, held.alias) != (name, case.alias):
                self._put(case, State(name, case.alias))
        return names

    def gone(self, found: list[Found]) -> list[Report]:
        """Cases that were measured once and are not among those found any more; their results stay."""
        keys = {self.hashed(case.key) for case in found}
        return sorted(
            (s.report for key, s in self._states.items() if key not in keys and s.report and self._there(s)),
            key=lambda report: report.name,
        )

    def finished(self, case: Found, request: Request, position: int) -> Report | None:
        """What is known of a case whose input, settings and results are as they were; else ``None``."""
        state = self._states.get(self.hashed(case.key))
        if state is None or state.report is None or not state.report.lasting or state.asked != asked(request):
            return None
        if state.report.done and not self._there(state):
            return None
        now = find.listing(request.case)
        if not now or now != state.listing:
            if not state.content or find.content(request.case) != state.content:
                return None
            self._put(case, replace(state, listing=now))
        return replace(state.report, position=position)

    def latest(self, case: Found, position: int) -> Report | None:
        """What was measured of a case before, whatever has become of its input."""
        state = self._states.get(self.hashed(case.key))
        if state is None or state.report is None or not state.report.done or not self._there(state):
            return None
        return replace(state.report, position=position)

    def save(self, case: Found, request: Request, done: Done) -> None:
        """Remember what came of a case; where that cannot be written it will be measured again, no more."""
        state = State(done.report.name, case.alias, done.listing, done.content, asked(request), report=done.report)
        if done.report.done:
            with contextlib.suppress(OSError):
                state = replace(state, history=kept(self.out / done.report.name).files.get(HISTORY, ""))
        self._put(case, state)

    def _put(self, case: Found, state: State) -> None:
        key = self.hashed(case.key)
        self._states[key] = state
        with contextlib.suppress(OSError):
            write_whole(self.out / CASES / f"{key}.json", json.dumps(asdict(state), indent=1) + "\n")

    def _there(self, state: State) -> bool:
        """Whether the results of a case lie where they were written, and are those."""
        folder = self.out / state.name
        try:
            files = kept(folder).files
        except OSError:
            return False
        return bool(state.history) and files.get(HISTORY) == state.history and all((folder / f).exists() for f in files)


def asked(request: Request) -> str:
    """A hash over everything but the input that decides what is written: settings, options, version."""
    held = replace(request, case=Path(), jobs=None)
    return hashlib.sha256(f"{__version__} {record.SCHEMA} {held!r}".encode()).hexdigest()[:32]


def _state(path: Path) -> State:
    """
    Raises
    ------
    InputError
        where the file is damaged.
    """
    what = "what is remembered of a case"
    held: Any = read_json(path, what)
    try:
        report = held.pop("report")
        state = State(**held, report=Report(**report) if report else None)
    except (AttributeError, KeyError, TypeError) as error:
        raise InputError(f"{what} is damaged") from error
    for part in (state, state.report) if state.report else (state,):
        for column in fields(part):
            if not isinstance(getattr(part, column.name), KINDS.get(str(column.type), object)):
                raise InputError(f"{what} is damaged")
    if find.safe(state.name) != state.name:
        raise InputError(f"{what} names a folder that no case has")
    return state


def write_whole(path: Path, text: str) -> None:
    """Replace a file by one with this text, whole or not at all, also where the machine goes down."""
    fresh = path.with_name(f"{path.name}.{secrets.token_hex(4)}.new")
    try:
        with fresh.open("x", encoding="utf-8", newline="") as stream:
            stream.write(text)
            stream.flush()
            os.fsync(stream.fileno())
        fresh.replace(path)
    finally:
        fresh.unlink(missing_ok=True)


def is_ours(out: Path, name: str) -> bool:
    """Whether a table in the output folder is as this program wrote it."""
    files = kept(out).files
    digest = digest_of(out / name)
    return bool(digest) and digest in (files.get(name), files.get(name + NEXT))
