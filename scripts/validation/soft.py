"""Soft masses that stay as they are and then grow: drawn histories of three scans, each as the program reads it.

Every history is one mass without a shell: the first two scans show it unchanged, the third with ``GROWTH`` more volume.
What a reader would call growth is counted against what was drawn. Rules of the draw stand in :func:`table`; one seed is
one history, whoever asks.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from mineralize.base import Acquisition, Grid, InMemory, Scan, Volume
from mineralize.change import Change
from mineralize.measure import Measurement
from mineralize.study import analyse
from mineralize.timeline import Seed, Timeline
from phantoms import load_history
from phantoms.history import History

from .changes import share_words

GROWTH = 0.30
"""Share by which the volume grows from the second scan to the third."""
OFF_MIDDLE = 0.25
"""Share of the mean semi-axis by which the point that a reader gives lies off the middle."""
LENGTH_MM = 110.0


@dataclass(frozen=True)
class Drawn:
    """What was drawn: semi-axis (mm) of a ball of the volume, contrast to muscle and noise (HU), slices (mm)."""

    radius_mm: float
    contrast_hu: float
    oedema_hu: float
    mineral_mg: float
    slice_mm: float
    noise_hu: float


def table(seed: int) -> tuple[dict[str, Any], Drawn]:
    """The description of a history and what matters of it."""
    rng = np.random.default_rng([seed, 16])
    made = copy.deepcopy(dict(load_history("reversed-zoning").table))
    lesion = made["lesion"]
    length = rng.uniform(10.0, 24.0)
    breadth = np.minimum(np.sort(length * rng.uniform(0.6, 1.0, 2)), 17.0)
    contrast = float(rng.choice([-1.0, -1.0, 1.0]) * rng.uniform(10.0, 30.0))
    oedema = float(rng.choice([0.0, rng.uniform(2.0, 10.0)]))
    mineral = float(rng.choice([0.0, 0.0, rng.uniform(150.0, 350.0)]))
    lesion["radii"] = [float(breadth[1]), float(breadth[0]), float(length)]
    lesion["angles"] = [float(a) for a in rng.uniform(-25.0, 25.0, 3)]
    lesion["lobes"], lesion["lobe_pitch"] = float(rng.uniform(0.02, 0.08)), float(rng.uniform(2.5, 4.0))
    lesion["shape_seed"] = int(rng.integers(1, 9000))
    lesion["place"] = {
        "deg": float(rng.uniform(150.0, 260.0)), "z": 0.0, "gap_mm": float(rng.uniform(4.0, 9.0)), "gap_jitter": 0.0,
        "day": 60,
    }  # fmt: skip
    made["limb"]["radius"] = 84.0
    lesion["centre_share"] = float(rng.uniform(0.2, 0.45))
    larger = (1.0 + GROWTH) ** (1.0 / 3.0)
    lesion["course"] = {
        "day": [60, 100, 160], "scale": [1.0, 1.0, larger], "centre_mg": [mineral] * 3, "soft_hu": [contrast] * 3,
        "oedema_hu": [oedema] * 3,
    }  # fmt: skip
    slices = float(rng.choice([1.0, 1.0, 1.5, 2.0, 3.0]))
    noise = float(rng.uniform(10.0, 25.0))
    made["scans"] = [
        {"day": day, "slice_mm": slices, "slices": int(LENGTH_MM / slices), "noise": noise} for day in (60, 100, 160)
    ]
    size = float(np.cbrt(length * breadth[0] * breadth[1]))
    return made, Drawn(size, contrast, oedema, mineral, slices, noise)


def drawn_scans(seed: int) -> tuple[tuple[Scan, ...], Any, list[float], Drawn]:
    """The scans of one history, the lesion's middle in the first (LPS mm), its true volumes (mm3), what was drawn."""
    made, drawn = table(seed)
    pictures = [History("soft-masses", seed, made).render(i) for i in range(3)]
    scans = []
    for i, picture in enumerate(pictures):
        grid = Grid.from_parts(
            picture.hu.shape, picture.spacing, list(picture.origin), picture.directions, f"frame {i + 1}"
        )
        acquisition = Acquisition(
            kvp=picture.kvp, kernel=picture.kernel, kernel_class=picture.kernel,  # type: ignore[arg-type]
            slice_thickness_mm=picture.thickness_mm, slice_spacing_mm=picture.spacing[0],
            pixel_spacing_mm=picture.spacing[1], contrast_agent=picture.contrast,
        )  # fmt: skip
        scans.append(Scan(i + 1, picture.day, grid, acquisition, InMemory(Volume(picture.hu, grid)), f"scan {i + 1}"))
    truths = [float(picture.truth["lesion_volume"]) for picture in pictures]
    return tuple(scans), np.asarray(pictures[0].lesion_centroid, float), truths, drawn


@dataclass(frozen=True)
class Told:
    """What became of one true change of volume, none where ``same``: what was said of it (``yes``, ``no``, ``unsure``,
    or ``lost`` where a volume is withheld); the change read and its interval in percent, NaN where there is none."""

    same: bool
    said: str
    percent: float
    low: float
    high: float
    true_percent: float

    @property
    def inside(self) -> bool:
        """Whether the interval holds the true change."""
        return self.low <= self.true_percent <= self.high


@dataclass(frozen=True)
class Outcome:
    """One history: what was drawn, volumes relative to the truth with their interval (NaN where withheld), changes."""

    seed: int
    drawn: Drawn
    volumes: tuple[tuple[float, float, float], ...]
    changes: tuple[Told, ...]


def run(seed: int) -> Outcome:
    """Analyse one history from a point in its first scan, as the command does."""
    scans, centre, truths, drawn = drawn_scans(seed)
    way = np.random.default_rng([seed, 17]).normal(size=3)
    radius = float(np.cbrt(3.0 * truths[0] / (4.0 * np.pi)))
    x, y, z = (float(v) for v in centre + OFF_MIDDLE * radius * way / np.linalg.norm(way))
    study = analyse(Timeline(scans, seeds=(Seed(1, (x, y, z)),)), jobs=1)
    rows = {row.scan: row for row in study.measurements if row.quantity == "lesion_volume"}
    changes = tuple(
        _told(change, truths, rows[change.from_scan].value)
        for change in study.changes
        if change.quantity == "lesion_volume"
    )
    return Outcome(seed, drawn, tuple(_relative(rows[n], truth) for n, truth in enumerate(truths, 1)), changes)


def _relative(row: Measurement, truth: float) -> tuple[float, float, float]:
    if row.value is None or row.low is None or row.high is None:
        return math.nan, math.nan, math.nan
    return row.value / truth, row.low / truth, row.high / truth


def _told(change: Change, truths: Sequence[float], first: float | None) -> Told:
    true = 100.0 * (truths[change.to_scan - 1] / truths[change.from_scan - 1] - 1.0)
    same = abs(true) < 1.0
    if change.percent is None or change.low is None or change.high is None or first is None:
        return Told(same, "lost", math.nan, math.nan, math.nan, true)
    return Told(same, change.real, change.percent, 100.0 * change.low / first, 100.0 * change.high / first, true)


# ---- words ---------------------------------------------------------------------------------------
def line(one: Outcome) -> str:
    """One history in one line."""
    d = one.drawn
    volumes = " ".join(
        "      withheld   " if math.isnan(v) else f"{_off(v)} [{_off(a)} {_off(b)}]" for v, a, b in one.volumes
    )
    changes = " ".join("lost" if c.said == "lost" else f"{c.percent:+.0f} % {c.said}" for c in one.changes)
    return (
        f"{one.seed:5d}  {d.radius_mm:4.1f} mm {d.contrast_hu:+4.0f} HU, oedema {d.oedema_hu:2.0f}, "
        f"mineral {d.mineral_mg:3.0f}, slices {d.slice_mm:.1f}, noise {d.noise_hu:2.0f} | {volumes} | {changes}"
    )


def _off(value: float) -> str:
    return f"{100.0 * (value - 1.0):+4.0f}"


def summary(outcomes: Sequence[Outcome]) -> list[str]:
    """The shares that are promised, of all histories and of those whose margin shows in both scans."""
    changes = [c for o in outcomes for c in o.changes]
    grown, same = [c for c in changes if not c.same], [c for c in changes if c.same]
    stated = [c for c in changes if c.said != "lost"]
    seen = [c for c in grown if c.said != "lost"]
    volumes = [v for o in outcomes for v in o.volumes if not math.isnan(v[0])]
    off = np.array([v[0] - 1.0 for v in volumes])
    held = sum(low <= 1.0 <= high for _, low, high in volumes)
    found = [
        "",
        f"{100 * GROWTH:.0f} % more volume called real, where both volumes are stated: "
        + share_words(sum(c.said == "yes" for c in seen), len(seen)),
        "  of all: " + share_words(sum(c.said == "yes" for c in grown), len(grown)),
        "unchanged and called real: " + share_words(sum(c.said == "yes" for c in same), len(same)),
        "true change inside its interval: " + share_words(sum(c.inside for c in stated), len(stated)),
        "volumes stated: " + share_words(len(volumes), 3 * len(outcomes)),
        "true volume inside its interval: " + share_words(held, len(volumes)),
    ]
    if len(off):
        found.append(
            f"volume: mean {100 * off.mean():+.1f} %, median size of the error {100 * np.median(np.abs(off)):.1f} %, "
            f"worst {100 * np.abs(off).max():.1f} %"
        )
    return found
