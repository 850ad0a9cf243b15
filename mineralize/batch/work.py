"""Many cases, one after another or side by side: a bad case is reported and never sinks the others.

What is done and what is not stands in files only, so a run that was killed at any moment, and started again, goes on
where it was. Memory is shared out by what headers say a case will need: a huge one runs alone.
"""

from __future__ import annotations

import contextlib
import time
from collections import Counter, deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from .. import cases
from ..base import OutputError, cores
from ..cases import Request, kept
from ..results import texts
from ..study import free_mib
from . import tables
from .engine import ENTRY, Engine, engine
from .find import Found, find
from .job import Died, Done, Job, Report, failed
from .lock import held
from .store import Store

SHARE_OF_MEMORY = 0.8
"""Of the memory that is free at the start; the rest is for what headers do not say."""


@dataclass(frozen=True)
class Standing:
    """Where a run stands. ``seconds_left`` is ``None`` until one case has been measured."""

    total: int
    counts: Counter[str] = field(default_factory=Counter)
    seconds_left: float | None = None

    @property
    def done(self) -> int:
        """Cases of which the outcome is known."""
        return sum(count for state, count in self.counts.items() if state not in ("waiting", "running", "arriving"))


OnDone = Callable[[Report, int], None]
OnStanding = Callable[[Standing], None]


@dataclass(frozen=True)
class How:
    """How a batch is run; nothing of it decides what is written.

    ``jobs``: cases at a time; 1 measures in this process, as Python callers may want it. ``cores``: the most that all
    cases together use, by default all that are ours; they are shared out among the cases that are measured at a time,
    and a case with one has no process to help it. ``scheduler``: address of a Dask cluster that is there already; there
    a case uses as many as its worker has threads. ``budget_mib``: memory for all cases together, by default most of
    what is free.
    """

    jobs: int = 1
    cores: int | None = None
    scheduler: str = ""
    budget_mib: float | None = None
    entry: str = ENTRY


def run(
    root: Path,
    out: Path,
    template: Request,
    how: How | None = None,
    *,
    on_done: OnDone | None = None,
    on_standing: OnStanding | None = None,
) -> list[Report]:
    """Summarise every case of ``root`` into its own folder in ``out``, and write the tables over all of them.

    Cases that were measured before, and whose input and settings are the same, are not touched.

    Parameters
    ----------
    root : a folder of cases, or a ``.csv`` table with the columns ``case`` and ``path``.
    template : settings and options for every case; its own case and seed are not used.
    on_done : called with each report as it comes and the number of cases.
    on_standing : called whenever something has changed.

    Raises
    ------
    InputError, OutputError, UsageError
        where there are no cases, where ``out`` is another run's, not ours or cannot be written, where there is no
        cluster.
    """
    found = find(root)
    how = how or How()
    refuse_foreign(out)
    with held(out):
        return run_found(found, out, template, how, on_done=on_done, on_standing=on_standing)


def run_found(
    found: Sequence[Found],
    out: Path,
    template: Request,
    how: How,
    *,
    on_done: OnDone | None = None,
    on_standing: OnStanding | None = None,
    using: Engine | None = None,
) -> list[Report]:
    """:func:`run` for cases that were found already, in a folder that is held."""
    round_ = _Round(list(found), out, template, how, on_done, on_standing=on_standing)
    todo = round_.todo()
    if todo:
        if using is not None:
            round_.measure(todo, using)
        else:
            budget = how.budget_mib or (free_mib() or 0.0) * SHARE_OF_MEMORY or None
            with engine(min(how.jobs, len(todo)) if how.jobs > 1 else 1, how.scheduler, budget, how.entry) as crew:
                round_.measure(todo, crew)
    return round_.finish()


def exit_code(reports: list[Report]) -> int:
    """0 when every case is done whole; 5 when some are not; with none done 3 if all need an answer, else 4."""
    if all(r.exit_code == 0 for r in reports):
        return 0
    if any(r.done for r in reports):
        return 5
    return 3 if all(r.exit_code == 3 for r in reports) else 4


def refuse_foreign(out: Path) -> None:
    """Refuse an output folder that holds files and was not made by a batch, before hours of work."""
    try:
        if out.is_dir() and not kept(out).secret and any(p.is_file() for p in out.iterdir() if p.name[:1] != "."):
            raise OutputError(texts.OUT_FOREIGN)
        if out.exists() and not out.is_dir():
            raise OutputError(texts.OUT_FILE)
    except OSError as error:
        if isinstance(error, OutputError):
            raise
        raise cases.failed(error) from error


class _Round:
    """One pass over all cases."""

    def __init__(
        self,
        found: list[Found],
        out: Path,
        template: Request,
        how: How,
        on_done: OnDone | None,
        *,
        on_standing: OnStanding | None,
    ) -> None:
        self._found, self._how, self._on_done, self._on_standing = found, how, on_done, on_standing
        with contextlib.suppress(OSError):
            tables.clear_unfinished(out)
        self._store = Store(out)
        self._tables = tables.Tables(self._store)
        self._names = self._store.names(found)
        self._jobs = [
            Job(replace(template, case=case.path, seed=None, alias="" if case.alias else name), out / name, name, place)
            for place, (case, name) in enumerate(zip(found, self._names, strict=True), 1)
        ]
        self._reports: dict[int, Report] = {}
        self._states: dict[int, str] = dict.fromkeys(range(len(found)), "waiting")
        self._counts = Counter({"waiting": len(found)})
        self._gone = [tables.row(replace(r, position=0), "gone") for r in self._store.gone(found)]
        self._began = time.monotonic()
        self._measured = 0

    def todo(self) -> list[int]:
        """Indices of the cases that have to be measured; what is known of the others is taken over."""
        todo = []
        for place, (case, job) in enumerate(zip(self._found, self._jobs, strict=True)):
            if case.fault:
                self._know(place, Report(job.name, job.position, 4, 0, 0, 0, case.fault), "set aside")
            elif case.arriving:
                self._set(place, "arriving")
                latest = self._store.latest(case, job.position)
                if latest is not None:
                    self._reports[place] = latest
            elif (known := self._store.finished(case, job.request, job.position)) is not None:
                self._know(place, known)
            else:
                todo.append(place)
        self._tell(now=True)
        return todo

    def measure(self, todo: list[int], crew: Engine) -> None:
        """Measure cases, as many at a time as fit; one that failed is tried again when all others are through."""
        if not self._how.scheduler:
            self._share_cores(max(1, min(crew.slots, len(todo))))
        again: list[int] = []
        self._through(_Queue(todo, crew), crew, again)
        for place in again:
            self._through(_Queue([place], crew), crew, None)

    def finish(self) -> list[Report]:
        reports = [self._reports[place] for place in sorted(self._reports)]
        self._tables.finish(reports, self._rows())
        return reports

    def _share_cores(self, cases_at_a_time: int) -> None:
        each = max(1, (self._how.cores or cores()) // cases_at_a_time)
        self._jobs = [replace(j, request=replace(j.request, jobs=j.request.jobs or each)) for j in self._jobs]

    def _through(self, waiting: _Queue, crew: Engine, again: list[int] | None) -> None:
        while True:
            for place, kind in waiting.next():
                if kind == "run":
                    self._set(place, "running")
                    self._tell()
                crew.start(place, kind, self._jobs[place])
            if not waiting.busy:
                return
            for place, answer in crew.wait():
                if isinstance(answer, float):
                    waiting.needs(place, answer)
                    continue
                waiting.over(place)
                job = self._jobs[place]
                if isinstance(answer, Died):
                    answer = Done(failed(job, texts.BATCH_DIED), "", "")
                if again is not None and not answer.report.lasting:
                    self._set(place, "waiting")
                    again.append(place)
                    self._tell()
                    continue
                self._store.save(self._found[place], job.request, answer)
                self._measured += 1
                self._know(place, answer.report)

    def _know(self, place: int, report: Report, state: str = "") -> None:
        self._reports[place] = report
        self._set(place, state or report.state)
        self._tell()
        if self._on_done is not None:
            self._on_done(report, len(self._jobs))

    def _set(self, place: int, state: str) -> None:
        self._counts[self._states[place]] -= 1
        self._counts[state] += 1
        self._states[place] = state

    def _rows(self) -> list[tuple[Any, ...]]:
        rows = [
            tables.row(report, self._states[place])
            if (report := self._reports.get(place)) is not None
            else tables.pending(job.name, job.position, self._states[place])
            for place, job in enumerate(self._jobs)
        ]
        return rows + self._gone

    def _tell(self, *, now: bool = False) -> None:
        self._tables.note(_Lazily(self._rows), now=now)
        if self._on_standing is not None:
            counts = +self._counts
            left = counts["waiting"] + counts["running"]
            each = (time.monotonic() - self._began) / self._measured if self._measured else None
            self._on_standing(Standing(len(self._jobs), counts, None if each is None else each * left))


class _Lazily:
    """Rows that are made only when they are written."""

    def __init__(self, make: Callable[[], list[tuple[Any, ...]]]) -> None:
        self._make = make

    def __iter__(self) -> Iterator[tuple[Any, ...]]:
        return iter(self._make())


class _Queue:
    """Which case is next: as many at a time as there are workers and as memory allows."""

    def __init__(self, places: list[int], crew: Engine) -> None:
        self._crew = crew
        self._new = deque(places)
        self._ready: deque[tuple[int, float]] = deque()
        self._asked: set[int] = set()
        self._running: dict[int, float] = {}
        self._ask = crew.budget_mib is not None and len(places) > 1

    @property
    def busy(self) -> bool:
        return bool(self._asked or self._running)

    def needs(self, place: int, mib: float) -> None:
        self._asked.discard(place)
        self._ready.append((place, mib))

    def over(self, place: int) -> None:
        self._asked.discard(place)
        self._running.pop(place, None)

    def next(self) -> Iterator[tuple[int, str]]:
        """What can be started now: (case, ``"need"`` or ``"run"``)."""
        slots = self._crew.slots
        while len(self._running) + len(self._asked) < slots:
            fits = next((item for item in self._ready if self._fits(item[1])), None)
            if fits is not None:
                self._ready.remove(fits)
                self._running[fits[0]] = fits[1]
                yield fits[0], "run"
            elif self._new and not self._ask:
                place = self._new.popleft()
                self._running[place] = 0.0
                yield place, "run"
            elif self._new and len(self._ready) < 2 * slots:
                place = self._new.popleft()
                self._asked.add(place)
                yield place, "need"
            else:
                return

    def _fits(self, mib: float) -> bool:
        budget = self._crew.budget_mib
        return not self._running or budget is None or sum(self._running.values()) + mib <= budget
