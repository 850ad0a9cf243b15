"""One case on disk: read it, run the main job, write the results whole or not at all."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from dataclasses import dataclass, field, replace
from pathlib import Path

from ..base import Aide, AideError, Settings, UsageError, at_most, give_back, plain_text
from ..dicom_out import NOBODY, pseudonym, write_pdf_object
from ..results import History, Options, impression, record, tables, views
from ..study import Kept, Study, analyse
from ..timeline import Seed, Timeline
from ..timeline import read as read_timeline
from . import drawing, seal
from .bound import check_bound, tags
from .dicom import export_key, writing
from .drawing import draw, render_page, render_pdf, reprint_pdf
from .folder import check_output, whole_folder, write_text
from .help import aided
from .marker import secret_of
from .unchanged import Watch

Step = Callable[[str, int, int], None]
LONGEST_ALIAS = 64
"""Characters, as in ``case.toml``: what DICOM's Patient ID holds (PS3.5 6.2, LO)."""


@dataclass(frozen=True)
class Request:
    """What one run of the main job is asked to do.

    ``seed`` is a point in the lesion (LPS mm of ``seed_scan``, numbered from 1); it replaces the seeds of
    ``case.toml``. ``alias`` replaces the case's own where given, ``settings`` those of ``case.toml``. With ``sealed``
    what imaging says stays covered until an impression from the slides is recorded. ``jobs`` is how many scans are
    worked on at a time and how many cores are used at most; by default as many as cores and memory allow.
    """

    case: Path
    seed: tuple[float, float, float] | None = None
    seed_scan: int = 1
    alias: str = ""
    settings: Settings | None = None
    sealed: bool = False
    options: Options = field(default_factory=Options)
    jobs: int | None = None


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
    """The case's time line with the request's seed, alias and settings put in.

    Raises
    ------
    UsageError
        where the seed names a scan that is not there or lies outside of it, or the alias cannot be printed.
    InputError
        where the case cannot be read.
    """
    case = read_timeline(request.case, on_step=on_step)
    if request.seed is not None:
        numbers = [scan.number for scan in case.scans]
        if request.seed_scan not in numbers:
            raise UsageError(f"--scan {request.seed_scan}: the case has scans {numbers[0]} to {numbers[-1]}")
        if not case.scan(request.seed_scan).grid.contains(request.seed):
            raise UsageError(f"--seed lies outside scan {request.seed_scan}; give LPS millimetres of that scan")
        case = replace(case, seeds=(Seed(request.seed_scan, request.seed),))
    if request.alias:
        alias = plain_text(request.alias, one_line=True)
        if not 0 < len(alias) <= LONGEST_ALIAS:
            raise UsageError(f"--alias: expected 1 to {LONGEST_ALIAS} printable characters")
        case = replace(case, alias=alias)
    if request.settings is not None:
        case = replace(case, settings=request.settings)
    return case


def run(request: Request, out: Path, on_step: Step | None = None) -> Outcome:
    """The main job for one case, results in ``out``.

    Raises
    ------
    LesionNeeded
        when no candidate clearly wins and no seed was given.
    UsageError, InputError, OutputError
        with one clear sentence; then nothing was written.
    """
    check_output(out)
    with at_most(request.jobs), aided(request.jobs) as aide:
        case = load(request, on_step)
        check_bound(out, case)
        watch = Watch(case)
        study = studied(case, request.settings, on_step, request.jobs, aide=aide)
        watch.check()
        return write_study(
            study, out, request.options, sealed=request.sealed, on_step=on_step, jobs=request.jobs, aide=aide
        )


def studied(
    case: Timeline,
    settings: Settings | None = None,
    on_step: Step | None = None,
    jobs: int | None = None,
    keep: Kept | None = None,
    *,
    aide: Aide | None = None,
) -> Study:
    """:func:`analyse`; while a worker is idle the ``aide`` that will help to write is started, the hash taken of all
    that was read, and what draws loaded. Raises what :func:`analyse` raises.
    """
    known: list[str] = []

    def meanwhile() -> None:
        if aide is not None:
            aide.start()
        known.append(case.content_hash())
        drawing.load()

    study = analyse(case, settings, on_step, jobs, meanwhile, keep=keep)
    give_back()  # drawing and what helps to write take room of their own
    return replace(study, timeline=replace(study.timeline, input_hash=known[0])) if known else study


def named(study: Study, secret: bytes) -> Study:
    """The study of a case that nobody named under a pseudonym: no two cases of a table or archive share a name."""
    if study.timeline.alias != NOBODY:
        return study
    return replace(study, timeline=replace(study.timeline, alias=pseudonym(secret)))


def write_study(
    study: Study,
    out: Path | str,
    options: Options | None = None,
    *,
    sealed: bool = False,
    on_step: Step | None = None,
    jobs: int | None = None,
    aide: Aide | None = None,
) -> Outcome:
    """Write tables, record, page and pictures of a study into the folder ``out``, whole or not at all.

    With ``jobs`` of 1 all is done by this process; else another one, the ``aide`` or one of its own, writes the DICOM
    objects meanwhile, and the PDF too where it was started before.

    Raises
    ------
    OutputError
        where ``out`` holds another case or files of others, or cannot be written.
    InputError
        where voxels can no longer be read, or an impression in ``out`` was changed after it was recorded.
    """
    if aide is None:
        with aided(jobs) as aide:
            return _written(study, Path(out), options or Options(), sealed, on_step, aide=aide)
    return _written(study, Path(out), options or Options(), sealed, on_step, aide=aide)


def _written(
    study: Study, out: Path, options: Options, sealed: bool, on_step: Step | None, *, aide: Aide | None
) -> Outcome:
    check_bound(out, study.timeline)
    if on_step is not None:
        on_step("write results", 0, 0)
    impressions = impression.load_impressions(out)

    def renew(folder: Path) -> None:  # an impression was recorded while we wrote
        if impression.load_impressions(folder) != impressions:
            seal.renew(folder)

    secret = secret_of(out, lambda: first_secret(study))
    study = named(study, secret)
    early = aide if aide is not None and aide.started else None
    asked: list[Future[bytes]] = []
    with whole_folder(out, secret=secret, bound=tags(study.timeline), finish=renew) as folder:
        with writing(study, folder / "dicom", options, aide) as identity:
            layout = views.plan(study)
            document = record.history(study, layout, options)

            def in_print(files: Mapping[str, bytes], document: History = document) -> None:
                if early is not None:
                    asked.append(early.ask(reprint_pdf, document, files, impressions))

            pictures = draw(study, document, layout, in_print)
            write_text(folder / "measurements.csv", tables.measurements(document))
            write_text(folder / "changes.csv", tables.changes(document))
            write_text(folder / "history.json", record.dumps(document))
            write_text(folder / "dictionary.json", tables.described())
            write_text(folder / "summary.html", render_page(document, pictures, impressions))
            (folder / "figures").mkdir()
            for name, data in pictures.files.items():
                (folder / "figures" / name).write_bytes(data)
            summary = _answered(asked) or render_pdf(study, document, pictures, impressions)
            (folder / "summary.pdf").write_bytes(summary)
        if options.dicom_pdf:
            write_pdf_object(summary, folder / "dicom", identity)
        if sealed and not impressions:
            seal.cover(folder, document)
    trusts = [row["trust"] for row in document["measurements"]] + [row["trust"] for row in document["alignment"]]
    return Outcome(document, trusts.count("withheld"), trusts.count("caution"))


def _answered(asked: list[Future[bytes]]) -> bytes:
    try:
        return asked[0].result() if asked else b""
    except AideError:
        return b""


def first_secret(study: Study) -> bytes:
    """The secret of a folder that has none yet: the same for the same scans, and no way back from it to their key."""
    return hashlib.sha256(b"secret of an output folder" + export_key(study)).digest()
