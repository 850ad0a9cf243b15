"""Stand-ins for what is expensive in a run (measuring, drawing, DICOM), so that hundreds of runs take seconds.

Everything that touches the results folder is the real thing. Used by ``scripts/torture`` and by tests.
"""

from __future__ import annotations

import contextlib
import io
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import study_factory

from mineralize.cases import one, record_impression
from mineralize.cli import commands
from mineralize.dicom_out import seg, sr
from mineralize.figures import Pictures
from mineralize.results import impression as recorded

LASTING: set[str] = set()
"""Hidden names that a finished run keeps."""
_STUDY = study_factory.study()


def install() -> None:
    """Put the stand-ins in place, for good."""
    one.draw = lambda *_: Pictures({"course.png": b"drawn", "rim.png": b"drawn too"}, {})
    one.render_pdf = lambda *_: b"%PDF-1.4"
    one.read_timeline = lambda path, *, on_step=None: _timeline(path)
    one.analyse = lambda timeline, *_: replace(_STUDY, timeline=timeline)
    one.export_key = lambda *_: b"key"
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


def _timeline(path: Path) -> Any:
    return replace(_STUDY.timeline, alias=path.name, input_hash=path.name)


def summarise(out: Path, alias: str, *, sealed: bool = False) -> None:
    """A whole run of the command; what it writes differs by alias."""
    with contextlib.redirect_stdout(io.StringIO()):
        code = commands.main(["summarise", alias, "--out", str(out), "--jobs", "1", *(["--sealed"] if sealed else [])])
    if code not in (0, 5):
        raise SystemExit(code)


def impression(out: Path, form: Path) -> None:
    """Record a first impression, or an amendment."""
    record_impression(out, form, "seen again" if (out / "impressions").exists() else "")
