"""One case of many, as it is handed to whoever measures it, and what comes back."""

from __future__ import annotations

import importlib
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from .. import cases
from ..base import InputError, LesionNeeded, MineralizeError, OutputError, at_most, cores
from ..cases import Request
from ..results import texts
from ..study import need_mib
from . import find


@dataclass(frozen=True)
class Report:
    """How one case went. ``position`` counts the cases in name order, from 1.

    ``lasting``: the same would come of the same input again, so that it need not be tried.
    """

    name: str
    position: int
    exit_code: int
    scans: int
    withheld: int
    cautions: int
    message: str
    lasting: bool = True

    @property
    def done(self) -> bool:
        return self.exit_code in (0, 5)

    @property
    def state(self) -> str:
        """In one or two words, for people and tables."""
        if self.exit_code == 3:
            return "needs an answer"
        return "done" if self.done else "refused" if self.lasting else "failed"

    def as_dict(self) -> dict[str, Any]:
        return asdict(self)


@dataclass(frozen=True)
class Job:
    """A case to be measured, with the folder its results go to."""

    request: Request
    out: Path
    name: str
    position: int


@dataclass(frozen=True)
class Done:
    """What came of a job: the report, and what the input was while it was measured.

    ``content`` is empty where files came, went or changed meanwhile.
    """

    report: Report
    listing: str
    content: str


@dataclass(frozen=True)
class Died:
    """The process that worked on a job ended without an answer."""


Answer = Done | Died | float
"""What comes back of a job: how it went, that its worker died, or the memory it needs in MiB."""


def do(kind: str, job: Job) -> Done | float:
    """Measure a case (``"run"``), or say how much memory in MiB that will need (``"need"``).

    Where headers alone show that nothing can be measured, the answer to the second is the report at once.
    """
    before = find.listing(job.request.case)
    if kind == "need":
        try:
            with at_most(job.request.jobs):
                case = cases.load(job.request)
        except Exception as error:
            return _done(job, _fault(job, error), before)
        return need_mib([scan.grid for scan in case.scans], job.request.jobs or cores())
    try:
        outcome = cases.run(job.request, job.out)
    except Exception as error:  # one bad case must not sink the others
        return _done(job, _fault(job, error), before)
    report = Report(
        job.name,
        job.position,
        outcome.exit_code,
        len(outcome.document["scans"]),
        outcome.withheld,
        outcome.cautions,
        "",
    )
    return _done(job, report, before)


def _done(job: Job, report: Report, before: str) -> Done:
    held = find.content(job.request.case) if report.lasting else ""
    steady = bool(before) and find.listing(job.request.case) == before
    if not steady and report.exit_code == InputError.exit_code:  # it may have been half there
        report = replace(report, lasting=False)
    return Done(report, before if steady else "", held if steady else "")


def _fault(job: Job, error: Exception) -> Report:
    if isinstance(error, MineralizeError):
        lasting = not isinstance(error, OutputError)
        return Report(job.name, job.position, error.exit_code, 0, 0, 0, _sentence(error), lasting)
    # what a library says may hold what is private
    return failed(job, texts.BATCH_FAULT.format(kind=type(error).__name__))


def _sentence(error: MineralizeError) -> str:
    if isinstance(error, LesionNeeded) and error.candidates:
        where = "; ".join(
            f"{c.number}: scan {c.scan} at {','.join(f'{v:.1f}' for v in c.point)}" for c in error.candidates
        )
        return f"{error} ({where})"
    return str(error)


def task(entry: str) -> Callable[[str, Job], Done | float]:
    """What a worker does with a job."""
    found: Callable[[str, Job], Done | float] = importlib.import_module(entry).do
    return found


def failed(job: Job, message: str) -> Report:
    """A report of something that might go better another time."""
    return Report(job.name, job.position, 4, 0, 0, 0, message, lasting=False)
