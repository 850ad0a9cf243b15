"""One case on disk: read it, run the main job, write the results whole or not at all."""

from __future__ import annotations

import contextlib
import hashlib
import os
import secrets
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from . import figures, impression, page, pdf, record, seg, sr, sr_pdf, tables, texts, views
from .errors import InputError, OutputError, UsageError
from .identity import Identity
from .record import History, Options
from .settings import Settings
from .study import Study, analyse
from .timeline import Seed, Timeline
from .timeline import read as read_timeline

MARKER = ".mineralize"
"""Names every file that was written into an output folder; only a folder with nothing else is ever replaced."""

KEY_SLICES = 8
"""About how many slices of each scan enter the key of an export."""

Step = Callable[[str, int, int], None]


@dataclass(frozen=True)
class Request:
    """What one run of the main job is asked to do.

    ``seed`` is a point in the lesion (LPS mm of ``seed_scan``, numbered from 1); it replaces the seeds of
    ``case.toml``. ``alias`` replaces the case's own where given. ``settings`` replaces those of ``case.toml``.
    """

    case: Path
    seed: tuple[float, float, float] | None = None
    seed_scan: int = 1
    alias: str = ""
    settings: Settings | None = None
    options: Options = field(default_factory=Options)


@dataclass(frozen=True)
class Outcome:
    """What a run came to: the record, and how much of it is withheld."""

    document: History
    withheld: int
    cautions: int

    @property
    def exit_code(self) -> int:
        return 5 if self.withheld else 0


def load(request: Request, on_step: Step | None = None) -> Timeline:
    """The case's time line with the request's seed, alias and settings put in."""
    case = read_timeline(request.case, on_step=on_step)
    if request.seed is not None:
        numbers = [scan.number for scan in case.scans]
        if request.seed_scan not in numbers:
            raise UsageError(f"--scan {request.seed_scan}: the case has scans {numbers[0]} to {numbers[-1]}")
        if not case.scan(request.seed_scan).grid.contains(request.seed):
            raise UsageError(f"--seed lies outside scan {request.seed_scan}; give LPS millimetres of that scan")
        case = replace(case, seeds=(Seed(request.seed_scan, request.seed),))
    if request.alias:
        case = replace(case, alias=request.alias)
    if request.settings is not None:
        case = replace(case, settings=request.settings)
    return case


def run(request: Request, out: Path, on_step: Step | None = None) -> Outcome:
    """The main job for one case, results in ``out``.

    Raises
    ------
    LesionNeeded
        when no candidate clearly wins and no seed was given.
    InputError, OutputError
        with one clear sentence; then nothing was written.
    """
    check_output(out)
    case = load(request, on_step)
    study = analyse(case, request.settings, on_step=on_step)
    return write_study(study, out, request.options, on_step=on_step)


def write_study(study: Study, out: Path, options: Options | None = None, *, on_step: Step | None = None) -> Outcome:
    """Write tables, record, page and pictures of a study into the folder ``out``, whole or not at all."""
    options = options or Options()
    if on_step is not None:
        on_step("write results", 0, 0)
    layout = views.plan(study)
    document = record.history(study, layout, options)
    pictures = figures.draw(study, document, layout)
    with whole_folder(out) as folder:
        write_text(folder / "measurements.csv", tables.measurements(document))
        write_text(folder / "changes.csv", tables.changes(document))
        write_text(folder / "history.json", record.dumps(document))
        write_text(folder / "summary.html", page.render(document, pictures))
        summary = pdf.render(study, document, pictures)
        (folder / "summary.pdf").write_bytes(summary)
        (folder / "figures").mkdir()
        for name, data in pictures.files.items():
            (folder / "figures" / name).write_bytes(data)
        (folder / "dicom").mkdir()
        _write_dicom(study, folder / "dicom", options, summary)
    trusts = [row["trust"] for row in document["measurements"]] + [row["trust"] for row in document["alignment"]]
    return Outcome(document, trusts.count("withheld"), trusts.count("caution"))


def _write_dicom(study: Study, folder: Path, options: Options, summary: bytes) -> None:
    """Segmentations, structured report and, where asked for, the PDF as DICOM."""
    identity = Identity(study.timeline, options.keep_identifiers, options.keep_dates, key=export_key(study))
    segmentations = seg.write(study, folder, identity)
    sr.write(study, segmentations, folder, identity)
    if options.dicom_pdf:
        sr_pdf.write(summary, folder, identity)


def export_key(study: Study) -> bytes:
    """The secret under which UIDs are replaced: the same on every run, known only to who has the scans.

    It is drawn from voxels, of which no output holds enough to draw it again.
    """
    digest = hashlib.sha256(b"mineralize export")
    for scan in study.timeline.scans:
        slices = scan.volume.hu[:: max(scan.grid.shape[0] // KEY_SLICES, 1)]
        digest.update(np.ascontiguousarray(slices, dtype="<f4").tobytes())
    return digest.digest()


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
    nearest = out.absolute()
    while not nearest.exists():
        nearest = nearest.parent
    if not nearest.is_dir():
        raise OutputError(texts.OUT_FILE)
    place = out.absolute().parent if out.exists() else nearest
    probe = place / _hidden_name("probe")
    try:
        probe.mkdir()
        probe.rmdir()
    except OSError as error:
        raise _failed(error) from error


@contextlib.contextmanager
def whole_folder(out: Path) -> Iterator[Path]:
    """A fresh folder beside ``out`` that takes its place by one rename when the block ends well.

    An ``out`` that holds only files written by this function before is replaced, recorded impressions being carried
    over; anything else is refused.
    """
    _refuse_foreign(out)
    out = out.absolute()
    made: list[Path] = []
    fresh = out.parent / _hidden_name("new")
    aside = out.parent / _hidden_name("old")
    try:
        for parent in reversed([p for p in out.parents if not p.exists()]):
            parent.mkdir()
            made.append(parent)
        fresh.mkdir()
        yield fresh
        names = sorted(p.relative_to(fresh).as_posix() for p in fresh.rglob("*") if p.is_file())
        impression.carry_over(out, fresh)
        write_text(fresh / MARKER, "".join(f"{name}\n" for name in names))
        if out.exists():
            out.rename(aside)
        fresh.rename(out)
    except BaseException as error:
        shutil.rmtree(fresh, ignore_errors=True)
        if aside.exists() and not out.exists():
            aside.rename(out)
        for parent in reversed(made):
            with contextlib.suppress(OSError):
                parent.rmdir()
        if isinstance(error, OSError) and not isinstance(error, OutputError | InputError):
            raise _failed(error) from error
        raise
    shutil.rmtree(aside, ignore_errors=True)


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
        raise _failed(error) from error
    if not found <= ours:
        raise OutputError(texts.OUT_FOREIGN)


def _hidden_name(what: str) -> str:
    return f"{MARKER}-{what}-{secrets.token_hex(4)}"


def _failed(error: OSError) -> OutputError:
    cause = os.strerror(error.errno).lower() if error.errno else "unknown cause"
    return OutputError(texts.OUT_FAILED.format(cause=cause))
