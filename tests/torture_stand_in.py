"""Stand-ins for what is expensive in a run (measuring, drawing, DICOM), so that hundreds of runs take seconds.

Everything that touches the results folder is the real thing. Used by ``scripts/torture`` and by tests, in this process
(:func:`install`) and as what the workers of a batch run (``do``, ``main``).

A case is a folder; what it does when it is measured stands in its file ``what``, a word to a line: ``refuse``,
``fault``, ``ask``, ``die`` (its process is killed), ``die once``, ``sleep`` (a tenth of a second), ``need N`` (MiB).
``patient`` names whom it is of.
"""

from __future__ import annotations

import contextlib
import io
import os
import signal
import time
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import study_factory

from mineralize.base import InputError, LesionNeeded
from mineralize.batch import find, job, worker
from mineralize.cases import dicom, one, record_impression, seal
from mineralize.cli import commands
from mineralize.dicom_out import seg, sr
from mineralize.figures import Pictures
from mineralize.results import impression as recorded

LASTING = {".mineralize-cases"}
"""Hidden names that a finished run keeps."""
_STUDY = study_factory.study()
_installed = False


def install() -> None:
    """Put the stand-ins in place, for good."""
    global _installed
    _installed = True
    one.draw = lambda *_: Pictures({"course.png": b"drawn", "rim.png": b"drawn too"}, {})
    one.render_pdf = lambda study, document, pictures, records: b"%%PDF-1.4 %d" % len(records)
    seal.reprint_pdf = lambda document, figures, records: b"%%PDF-1.4 %d" % len(records)
    one.read_timeline = lambda path, *, on_step=None: timeline(Path(path))
    one.analyse = lambda case, *_, **__: measured(case)
    one.export_key = lambda *_: b"key"
    dicom._light = lambda *_: False  # no process that writes for this one
    seg.write = lambda *_: {}
    sr.write = lambda *_: None
    commands.Progress = _Silent
    recorded.datetime = _Noon


class _Noon(datetime):
    """A clock that stands still: the page shows when an impression was recorded."""

    @classmethod
    def now(cls, tz: Any = None) -> datetime:
        return datetime(2026, 3, 2, 12, tzinfo=tz)


class _Silent:
    """No thread, so that a process can be forked."""

    def __enter__(self) -> _Silent:
        return self

    def __exit__(self, *_: Any) -> None:
        pass

    def __call__(self, *_: Any) -> None:
        pass


def words(path: Path) -> list[str]:
    file = path / "what"
    return file.read_text().splitlines() if file.is_file() else []


def timeline(path: Path) -> Any:
    """The one history of the stand-ins, with a hash of this folder's content and its patient."""
    scans = _STUDY.timeline.scans
    files = [p for p in (path / "patient", *sorted(path.glob("*/patient"))) if p.is_file()]
    whom = files[0].read_text() if files else ""
    if "refuse" in words(path):
        raise InputError("the case folder is empty; give a folder with CT images in DICOM format")
    if whom:
        patient = SimpleNamespace(identity=whom, name="", birth="")
        image = SimpleNamespace(
            ids=SimpleNamespace(study=f"1.2.{whom}", patient=patient),
            where=SimpleNamespace(path=os.devnull, encapsulated=True, state=()),
        )
        stack = SimpleNamespace(images=(image,))
        scans = tuple(replace(s, source=SimpleNamespace(stack=stack, read=s.source.read)) for s in scans)
    alias = find.alias_of(path) or "case"
    held = find.content(path) if path.is_dir() else path.name
    return replace(_STUDY.timeline, scans=scans, alias=alias, input_hash=held)


def measured(case: Any) -> Any:
    return replace(_STUDY, timeline=case)


def do(kind: str, given: job.Job) -> Any:
    """What a worker does with a job: as the real one, but for what the case's folder says."""
    if not _installed:
        install()
    path = given.request.case
    for word in words(path):
        if word == "sleep":
            time.sleep(0.1)
        if kind == "need" and word.startswith("need "):
            return float(word.split()[1])
        if kind == "run" and (word == "die" or (word == "die once" and not (given.out.parent / ".died").exists())):
            (given.out.parent / ".died").touch()
            os.kill(os.getpid(), signal.SIGKILL)
        if kind == "run" and word == "fault":
            return job.Done(job._fault(given, RuntimeError("DOE^JANE")), "", "")
        if kind == "run" and word == "ask":
            return job._done(given, job._fault(given, LesionNeeded("two structures")), find.listing(path))
    if kind == "need":
        return 1.0
    return job.do(kind, given)


def main() -> None:
    """What a worker process runs."""
    worker.serve(do)


def summarise(out: Path, alias: str, *, sealed: bool = False) -> None:
    """A whole run of the command; what it writes differs by alias."""
    with contextlib.redirect_stdout(io.StringIO()):
        words_ = ["summarise", "case", "--alias", alias, "--out", str(out), "--jobs", "1"]
        code = commands.main([*words_, *(["--sealed"] if sealed else [])])
    if code not in (0, 5):
        raise SystemExit(code)


def impression(out: Path, form: Path) -> None:
    """Record a first impression, or an amendment."""
    record_impression(out, form, "seen again" if (out / "impressions").exists() else "")
