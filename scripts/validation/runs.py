"""One history through the line, and every value beside its truth."""

from __future__ import annotations

import math
import tempfile
import time
import traceback
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from mineralize.base import QUANTITIES, UNITS, Acquisition, Grid, InMemory, LesionNeeded, MineralizeError, Scan, Volume
from mineralize.lesion import look_at
from mineralize.study import Study, analyse, crew
from mineralize.study.steps import choose_point
from mineralize.timeline import Seed, Timeline
from mineralize.timeline import read_case as read
from phantoms.files import write_case

from .cases import BASE_LESION, OUTLINES
from .histories import SINGLE, Job, history_of
from .prepare import Picture, Prepared, prepare
from .surfaces import NOTHING, Outlined, compare

STRATA = ("size_mm", "slice_mm", "kvp", "noise", "rim_mm", "completeness")
NEAR_LESION_MM = 3.0
OF_THE_CORE = tuple(q for q in UNITS if q.startswith("core_") and q.endswith("_fraction"))
LEAST_CORE_MM = 3.0
"""Radius of the core from which its contents stand clear of the blur of the rim."""
DENSER_THAN_BONE_HU = 3000
"""Dense cortex reads up to some 2400 HU at 80 kVp; where the drawn distribution piles up more mineral than bone can
hold, or noise does, the scan counts as one with metal."""


@dataclass(frozen=True)
class Row:
    """One value beside its truth. ``good`` says that nothing speaks against measuring it."""

    kind: str
    history: str
    seed: int
    scan: int
    quantity: str
    unit: str
    truth: float | None
    measured: float | None
    low: float | None
    high: float | None
    trust: str
    reason: str
    dominant: str
    good: bool
    size_mm: float
    slice_mm: float
    kvp: float
    noise: float
    rim_mm: float
    completeness: float
    faults: str

    @property
    def known(self) -> bool:
        return self.truth is not None and self.measured is not None

    @property
    def error(self) -> float:
        return float("nan") if self.truth is None or self.measured is None else self.measured - self.truth

    @property
    def relative(self) -> float:
        return self.error / abs(self.truth) if self.truth else float("nan")

    @property
    def inside(self) -> bool | None:
        if self.truth is None or self.low is None or self.high is None:
            return None
        slack = 1e-9 + 1e-6 * abs(self.truth)
        return self.low - slack <= self.truth <= self.high + slack

    @property
    def width(self) -> float:
        return float("nan") if self.low is None or self.high is None else self.high - self.low


@dataclass(frozen=True)
class Lined:
    """An alignment beside the truth. ``possible`` is False where no alignment can be right."""

    kind: str
    history: str
    seed: int
    scan: int
    base: int
    error_mm: float
    sd_mm: float
    turn_sd_mm: float
    slide_sd_mm: float
    trust: str
    reason: str
    possible: bool


@dataclass(frozen=True)
class Step:
    """A change between two scans and whether there was one in truth (percent); ``first`` is the true first value."""

    kind: str
    history: str
    seed: int
    from_scan: int
    to_scan: int
    quantity: str
    true_percent: float
    percent: float | None
    real: str
    reason: str
    trusted: bool
    first: float = math.nan
    true: float = math.nan
    low: float | None = None
    high: float | None = None

    @property
    def given(self) -> bool:
        """Whether the line states a difference at all."""
        return self.low is not None

    @property
    def inside(self) -> bool | None:
        """Whether the true difference lies in the interval."""
        if self.low is None or self.high is None or not math.isfinite(self.true):
            return None
        slack = 1e-9 + 1e-6 * abs(self.first)
        return self.low - slack <= self.true <= self.high + slack

    @property
    def width(self) -> float:
        return math.nan if self.low is None or self.high is None else self.high - self.low


@dataclass(frozen=True)
class Outcome:
    """All that came of one history. ``unseeded`` is 'lesion', 'asked', 'wrong structure' or ''."""

    job: Job
    rows: tuple[Row, ...] = ()
    lined: tuple[Lined, ...] = ()
    steps: tuple[Step, ...] = ()
    unseeded: str = ""
    refused: str = ""
    crash: str = ""
    seconds_render: float = 0.0
    seconds_analyse: float = 0.0
    methods: tuple[str, ...] = field(default=())
    outlined: tuple[Outlined, ...] = ()


def run(job: Job, cache: Path | None = None, dicom: bool = False) -> Outcome:
    """Run one history. Never raises: a refusal is a result, anything unforeseen is a crash that is counted."""
    made: Prepared | None = None
    since = time.process_time()
    try:
        made = prepare(job, cache)
        since = time.process_time()
        unseeded = ""
        if dicom or job.name == "two-patients":
            study = _from_disk(job, made)
        else:
            unseeded = "" if job.kind in (*SINGLE, "scanners") else _found_alone(made)
            study = analyse(timeline_of(made), jobs=1)
        spent = time.process_time() - since
        return _compared(made, study, unseeded, spent)
    except MineralizeError as error:
        spent = time.process_time() - since
        return Outcome(job, refused=str(error), seconds_analyse=spent, seconds_render=made.seconds if made else 0.0)
    except Exception as error:
        where = traceback.extract_tb(error.__traceback__)[-1]
        text = f"{type(error).__name__}: {error} ({Path(where.filename).name}:{where.lineno})"
        return Outcome(job, crash=text, seconds_render=made.seconds if made else 0.0)


def timeline_of(made: Prepared, seeded: bool = True) -> Timeline:
    """The scans in memory, as reading them from DICOM would give them."""
    scans = []
    for i, picture in enumerate(made.pictures):
        grid = Grid.from_parts(picture.hu.shape, picture.spacing, picture.origin, picture.directions, f"frame {i + 1}")
        acquisition = Acquisition(
            kvp=picture.kvp,
            kernel=picture.kernel,
            kernel_class=picture.kernel,  # type: ignore[arg-type]
            slice_thickness_mm=picture.thickness_mm,
            slice_spacing_mm=picture.spacing[0],
            pixel_spacing_mm=picture.spacing[2],
            reconstruction_diameter_mm=picture.spacing[2] * picture.hu.shape[2],
            contrast_agent=picture.contrast,
        )
        scans.append(Scan(i + 1, picture.day, grid, acquisition, InMemory(Volume(picture.hu, grid))))
    seeds = (Seed(*made.seed_point),) if seeded else ()
    return Timeline(tuple(scans), alias=made.job.label, seeds=seeds)


def _from_disk(job: Job, made: Prepared) -> Study:
    history = history_of(job)
    with tempfile.TemporaryDirectory() as held:
        write_case(history, Path(held) / "case", distractors=False, with_seed=True)
        timeline = read(Path(held) / "case")
        for scan in timeline.scans:
            _ = scan.volume
        return analyse(timeline, jobs=1)


def _found_alone(made: Prepared) -> str:
    """What the line picks when no seed is given, found as `analyse` finds it."""
    timeline = timeline_of(made, seeded=False)
    seen = {scan.number: look_at(scan, timeline.settings) for scan in timeline.scans}
    try:
        with crew(1) as workers:
            base, point, _, _ = choose_point(timeline, seen, workers)
    except LesionNeeded:
        return "asked"
    inside = made.pictures[base - 1].inside
    if not len(inside):
        return "wrong structure"
    near = float(np.linalg.norm(inside - np.asarray(point), axis=1).min())
    return "lesion" if near <= NEAR_LESION_MM else "wrong structure"


def _compared(made: Prepared, study: Study, unseeded: str, spent: float) -> Outcome:
    job, rows = made.job, []
    for i, picture in enumerate(made.pictures):
        for quantity, unit in UNITS.items():
            measurement = study.measurement(i + 1, quantity)
            truth = picture.truth.get(quantity)
            truth = None if truth is None or not math.isfinite(truth) else float(truth)
            absent = not picture.truth and not QUANTITIES[quantity].own_tissue
            if measurement is None or (truth is None and not absent):
                continue
            t = picture.truth
            rows.append(
                Row(
                    job.kind, job.label, job.seed, i + 1, quantity, unit, truth,
                    measurement.value, measurement.low, measurement.high, measurement.trust,
                    measurement.reason, measurement.dominant, _good(made, picture, quantity),
                    t.get("longest_diameter", math.nan), picture.spacing[0], picture.kvp, picture.noise,
                    t.get("rim_thickness", math.nan), t.get("rim_completeness", math.nan),
                    " ".join(picture.faults),
                )
            )  # fmt: skip
    methods = tuple("not found" if o is None else f"{o.method}, {o.trust}" for o in study.outlines)
    return Outcome(
        job, tuple(rows), tuple(_lined(made, study)), tuple(_steps(made, study)), unseeded,
        seconds_render=made.seconds, seconds_analyse=spent, methods=methods,
        outlined=_outlined(made, study) if job.kind == "outlines" else (),
    )  # fmt: skip


def _outlined(made: Prepared, study: Study) -> tuple[Outlined, ...]:
    """The outline of a single scan beside the phantom's own surface."""
    job, picture, outline = made.job, made.pictures[0], study.outlines[0]
    asked = {**BASE_LESION, **OUTLINES[job.variant]}
    size = study.measurement(1, "lesion_volume")
    trust, reason = ("withheld", "nothing was outlined") if size is None else (size.trust, size.reason)
    there = {"whole": NOTHING, "gaps": NOTHING, "bone": NOTHING}
    if outline is not None:
        there = compare(history_of(job), 0, outline.vertices, outline.faces)
    true = picture.truth["lesion_volume"]
    value = math.nan if size is None or size.value is None else size.value
    return (
        Outlined(
            job.variant, job.seed, picture.truth["longest_diameter"], asked["shell_mm"], asked["coverage"],
            picture.spacing[0], picture.spacing[2], asked["mineral_mg"] > 0, asked["soft_hu"], value / true - 1,
            there["whole"], there["gaps"], there["bone"], "none" if outline is None else outline.method, trust, reason,
        ),
    )  # fmt: skip


def _good(made: Prepared, picture: Picture, quantity: str) -> bool:
    """Whether nothing of the declared reasons for withholding holds: see the page's text."""
    truth = picture.truth
    if made.job.kind == "broken" or picture.faults or not picture.in_view or not truth:
        return False
    if picture.hu.max() >= DENSER_THAN_BONE_HU:
        return False
    if quantity in OF_THE_CORE and 0.5 * truth["inradius"] < LEAST_CORE_MM:
        return False
    least = min(truth["axial_perpendicular"], 2 * truth["inradius"])
    return picture.spacing[0] <= 3.0 and picture.spacing[0] <= least / 3 and truth["rim_completeness"] >= 0.2


def _lined(made: Prepared, study: Study) -> list[Lined]:
    base = made.pictures[study.reference_scan - 1]
    impossible = {"mirrored", "wrong-patient", "other-part"}
    found = []
    for a in study.alignments:
        own = made.pictures[a.scan - 1]
        if a.scan == study.reference_scan:
            continue
        true = np.linalg.inv(base.to_body) @ own.to_body
        centre = (np.linalg.inv(true) @ np.append(base.centroid, 1.0))[:3]
        error = float(np.linalg.norm(np.asarray(a.transform.apply(centre)) - base.centroid))
        possible = not impossible & {*own.faults, *base.faults}
        found.append(
            Lined(
                made.job.kind, made.job.label, made.job.seed, a.scan, study.reference_scan, error, a.predicted_sd_mm,
                a.turn_sd_mm, a.slide_sd_mm, a.trust, a.reason, possible,
            )
        )  # fmt: skip
    return found


def _steps(made: Prepared, study: Study) -> list[Step]:
    found = []
    for c in study.changes:
        a = made.pictures[c.from_scan - 1].truth.get(c.quantity, math.nan)
        b = made.pictures[c.to_scan - 1].truth.get(c.quantity, math.nan)
        if not (math.isfinite(a) and math.isfinite(b)):
            continue
        true = 100 * (b - a) / abs(a) if a else (0.0 if b == a else math.inf)
        ends = [study.measurement(n, c.quantity) for n in (c.from_scan, c.to_scan)]
        trusted = all(m is not None and m.trust == "ok" for m in ends)
        found.append(
            Step(
                made.job.kind, made.job.label, made.job.seed, c.from_scan, c.to_scan, c.quantity, true, c.percent,
                c.real, c.reason, trusted, a, b - a, c.low, c.high,
            )
        )  # fmt: skip
    return found
