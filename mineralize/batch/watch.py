"""Follow-up scans as they arrive: a study that has stopped arriving joins its case, which is measured anew.

Whose study it is, its own identifiers say. They are compared as hashes, keyed with the secret of the output folder and
slow to try, and are written down nowhere else. A folder with a ``case.toml`` of its own is a case of its own.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from .. import cases
from ..base import MineralizeError
from ..cases import MARKER, Request, failed
from ..results import texts
from ..study import free_mib
from . import find
from .engine import engine
from .find import Found
from .job import Report
from .lock import held
from .store import Store
from .work import SHARE_OF_MEMORY, How, OnDone, OnStanding, refuse_foreign, run_found

JOINED = f"{MARKER}-joined"
SETTLE_SECONDS = 60.0
PAUSE_SECONDS = 5.0
_SCRYPT = {"n": 2**14, "r": 8, "p": 1, "dklen": 16}
"""Cost of one try at an identifier (RFC 7914): some tens of milliseconds."""


@dataclass(frozen=True)
class _Arrival:
    """A folder or archive below the root, as it was last looked at."""

    listing: str
    since: float
    whom: frozenset[str] = frozenset()
    fault: str = ""
    read: bool = False


def watch(
    root: Path,
    out: Path,
    template: Request,
    how: How | None = None,
    *,
    settle_seconds: float = SETTLE_SECONDS,
    pause_seconds: float = PAUSE_SECONDS,
    on_done: OnDone | None = None,
    on_standing: OnStanding | None = None,
    on_round: Callable[[list[Report]], bool] | None = None,
) -> list[Report]:
    """:func:`.work.run` again and again, whenever something has arrived below ``root``, until it is told to stop.

    It is stopped by an exception, as a signal raises one, or by ``on_round``, called after every pass with its reports,
    saying ``True``. Files are never moved: a bad arrival is set aside by its row in ``cases.csv``, with the reason.

    Parameters
    ----------
    settle_seconds : how long nothing of a study may have changed before it is taken for complete.
    """
    how = how or How()
    refuse_foreign(out)
    with held(out):
        desk = _Desk(root, out, settle_seconds)
        budget = how.budget_mib or (free_mib() or 0.0) * SHARE_OF_MEMORY or None
        with engine(how.jobs, how.scheduler, budget, how.entry) as crew:
            before: list[Found] | None = None
            while True:
                found = desk.look()
                reports: list[Report] = []
                if found != before or desk.news:
                    reports = run_found(found, out, template, how, on_done=on_done, on_standing=on_standing, using=crew)
                before = found
                if on_round is not None and on_round(reports):
                    return reports
                time.sleep(pause_seconds)


class _Desk:
    """Where arrivals are sorted into cases."""

    def __init__(self, root: Path, out: Path, settle_seconds: float) -> None:
        self._root, self._out, self._settle = root, out, settle_seconds
        self._secret = Store(out).secret
        self._seen: dict[str, _Arrival] = {}
        self.news = False

    def look(self) -> list[Found]:
        """All cases as they are now; :attr:`news` tells whether the content of one has changed."""
        self.news = False
        now = time.time()
        seen: dict[str, _Arrival] = {}
        for path in find.entries(self._root):
            listing = find.listing(path)
            held_before = self._seen.get(path.name)
            if held_before is None or held_before.listing != listing:
                held_before = _Arrival(listing, now if held_before else min(now, _newest(path)))
            if not held_before.read and now - held_before.since >= self._settle:
                whom, fault = self._identify(path)
                held_before = _Arrival(listing, held_before.since, whom, fault, read=True)
                self.news = True
            seen[path.name] = held_before
        self._seen = seen
        return self._sorted()

    def _sorted(self) -> list[Found]:
        single: list[Found] = []
        shared: list[tuple[frozenset[str], list[str]]] = []
        for name, arrival in sorted(self._seen.items()):
            path = self._root / name
            if not arrival.read or arrival.fault or not arrival.whom or (path / "case.toml").exists():
                arriving = not arrival.read
                single.append(Found(path, name, find.alias_of(path), arriving, arrival.fault))
                continue
            same = [group for group in shared if group[0] & arrival.whom]
            for group in same:
                shared.remove(group)
            whom = arrival.whom.union(*(group[0] for group in same))
            shared.append((whom, [*(n for group in same for n in group[1]), name]))
        joined = [self._join(names) for _, names in shared]
        return sorted([*single, *joined], key=lambda case: case.key)

    def _join(self, names: list[str]) -> Found:
        """Several arrivals as one case: a folder of links, known by the first that came by name."""
        names = sorted(names)
        first = self._root / names[0]
        if len(names) == 1:
            return Found(first, names[0])
        key = hashlib.sha256(self._secret + os.fsencode(names[0])).hexdigest()[:16]
        folder = self._out / JOINED / key
        wanted = {
            f"{number:04d}{_suffix(name)}": (self._root / name).absolute() for number, name in enumerate(names, 1)
        }
        try:
            folder.mkdir(parents=True, exist_ok=True)
            for link in list(folder.iterdir()):
                if link.name not in wanted or os.readlink(link) != os.fspath(wanted[link.name]):
                    link.unlink()
            for name, target in wanted.items():
                with contextlib.suppress(FileExistsError):
                    (folder / name).symlink_to(target)
        except OSError as error:
            raise failed(error) from error
        return Found(folder, names[0])

    def _identify(self, path: Path) -> tuple[frozenset[str], str]:
        """Hashes of whom an arrival is of, or why it is set aside."""
        try:
            case = cases.load(Request(path))
        except MineralizeError as error:
            return frozenset(), str(error)
        except Exception as error:  # what a library says may hold what is private
            return frozenset(), texts.BATCH_FAULT.format(kind=type(error).__name__)
        found: set[str] = set()
        for scan in case.scans:
            images: Sequence[Any] = getattr(getattr(scan.source, "stack", None), "images", ())
            if images:
                found |= self._hashes(images[0].ids.patient)
        return frozenset(found), ""

    def _hashes(self, patient: Any) -> set[str]:
        """Of the number with the birth date, and of the name with it: two hospitals give two numbers."""
        held_by = []
        if patient.identity:
            held_by.append(f"number\x1f{patient.identity}\x1f{patient.birth}")
        if patient.name and patient.birth:
            held_by.append(f"name\x1f{patient.name}\x1f{patient.birth}")
        return {hashlib.scrypt(text.encode(), salt=self._secret, **_SCRYPT).hex() for text in held_by}


def _suffix(name: str) -> str:
    return ".zip" if name.lower().endswith(".zip") else ""


def _newest(path: Path) -> float:
    """When the latest of its files came or was changed, seconds."""
    try:
        return max((state.st_ctime for _, state in find.files_of(path)), default=path.stat().st_ctime)
    except OSError:
        return time.time()
