"""Real masses beside bone: what the line finds in them with and without help, and how that lies on the drawn mask.

There is no truth for these scans: the drawn mask is the volume that was treated with radiation, drawn on another image,
with margins, and most of it is soft tissue. Numbers against it say how far apart the two are, not which is right.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from scipy.spatial import cKDTree
from skimage import measure

from mineralize import timeline
from mineralize.base import Grid, LesionNeeded, MineralizeError
from mineralize.lesion import Candidate, Outline, SeenScan, candidates_of, look_at
from mineralize.measure import Measurement
from mineralize.study import analyse
from mineralize.timeline import Seed, Timeline

from .surfaces import spread_points

Floats = Any
WAYS = ("no seed", "seed at the middle of the drawn mask", "drawn outline taken over")
SOURCE = (
    "Vallieres 2015, 10.7937/K9/TCIA.2015.7GO2GSKS (Clark 2013), as re-exported by the IBSI (theibsi/data_sets), "
    "CC BY 3.0"
)
CASES = {
    "thigh": ("sts-calcified/STS_045_CT_dicom_rtstruct.tar.xz", "calcified mass of the thigh beside the femur"),
    "buttock": ("sts-calcified/STS_003_CT_dicom_rtstruct.tar.xz", "mass of the buttock with a little mineral, noisy"),
    "knee": ("sts-calcified/STS_013_CT_dicom_rtstruct.tar.xz", "fatty mass around the lower femur"),
    "knee without mineral": ("sts-extremity-ct/STS_042/CT", "mass at the knee"),
    "hand": ("sts-extremity-ct/STS_019/CT", "mass at wrist and hand"),
    "lower legs": ("sts-extremity-ct/STS_049/CT", "mass of the lower leg"),
}


@dataclass(frozen=True)
class Overlap:
    """An outline against the drawn mask: volumes in mm3, Dice, distances of the surfaces in mm (both directions)."""

    volume_mm3: float
    drawn_mm3: float
    shared_mm3: float
    mean_mm: float
    p95_mm: float

    @property
    def ratio(self) -> float:
        return self.volume_mm3 / self.drawn_mm3

    @property
    def dice(self) -> float:
        return 2 * self.shared_mm3 / (self.volume_mm3 + self.drawn_mm3)


@dataclass(frozen=True, eq=False)
class Tried:
    """One way of running the line on one case; ``asked`` is the sentence with which it stopped, else empty."""

    way: str
    seconds: float
    asked: str = ""
    said: tuple[str, ...] = ()
    outline: Outline | None = None
    rows: tuple[Measurement, ...] = ()
    overlap: Overlap | None = None


@dataclass(frozen=True, eq=False)
class RealCase:
    """One real scan with its drawn mask (bool on the scan's own grid) and all that was tried on it."""

    name: str
    words: str
    seen: SeenScan
    drawn: Any
    candidates: tuple[Candidate, ...]
    inside: tuple[bool, ...]
    tried: tuple[Tried, ...]

    @property
    def grid(self) -> Grid:
        return self.seen.volume.grid


def run(name: str, root: Path) -> RealCase:
    """Run one case in every way."""
    path, words = CASES[name]
    case = timeline.read(root / path)
    drawn = on_grid(case)
    grid = case.scans[0].grid
    middle = grid.to_world(np.argwhere(drawn)).mean(axis=0)
    seen = look_at(case.scans[0], case.settings)
    found = candidates_of(seen)
    near = [np.rint(grid.to_index(c.point)).astype(int) for c in found]
    inside = tuple(bool(drawn[tuple(np.clip(i, 0, np.array(grid.shape) - 1))]) for i in near)
    x, y, z = (float(v) for v in middle)
    seeded = replace(case, seeds=(Seed(1, (x, y, z)),))
    cases = (replace(case, seeds=()), seeded, replace(seeded, drawn_outline=1))
    tried = tuple(attempt(way, which, drawn) for way, which in zip(WAYS, cases, strict=True))
    return RealCase(name, words, seen, drawn, found, inside, tried)


def attempt(way: str, case: Timeline, drawn: Any) -> Tried:
    """Run the line once; a question or a refusal is a result."""
    since = time.process_time()
    try:
        study = analyse(case)
    except (LesionNeeded, MineralizeError) as error:
        return Tried(way, time.process_time() - since, asked=str(error))
    outline = study.outlines[0]
    lap = None if outline is None else overlap(outline, drawn, case.scans[0].grid)
    said = tuple(n.text for n in study.notes if n.kind != "info")
    return Tried(way, time.process_time() - since, "", said, outline, tuple(study.measurements), lap)


def on_grid(case: Timeline) -> Any:
    """The drawn mask (the first contour set) on the whole grid of the scan."""
    offer = case.offered[0]
    grid = case.scans[0].grid
    assert offer.mask is not None
    assert offer.grid is not None
    whole = np.zeros(grid.shape, bool)
    index = np.rint(grid.to_index(offer.grid.to_world(np.argwhere(offer.mask)))).astype(int)
    whole[tuple(index.T)] = True
    return whole


def sections(vertices: Floats, faces: Floats, grid: Grid, level: int) -> Floats:
    """(S, 2, 2) pieces of line (row, column) in which a mesh crosses the middle of a slice."""
    index = grid.to_index(vertices)
    height = index[:, 0] - level - 1e-7
    over = height[faces] >= 0
    hit = np.flatnonzero(over.any(axis=1) & ~over.all(axis=1))
    pieces = np.empty((len(hit), 2, 2))
    for n, face in enumerate(faces[hit]):
        ends = [(a, b) for a, b in ((0, 1), (1, 2), (2, 0)) if (height[face[a]] >= 0) != (height[face[b]] >= 0)]
        for k, (a, b) in enumerate(ends):
            ha, hb = height[face[a]], height[face[b]]
            pieces[n, k] = (index[face[a]] + ha / (ha - hb) * (index[face[b]] - index[face[a]]))[1:]
    return pieces


def filled(outline: Outline, grid: Grid) -> Any:
    """Voxels whose centre lies inside a closed mesh: along every row an odd number of crossings was passed."""
    inside = np.zeros(grid.shape, bool)
    levels = grid.to_index(outline.vertices)[:, 0]
    for level in range(max(int(np.ceil(levels.min())), 0), min(int(levels.max()), grid.shape[0] - 1) + 1):
        crossed = np.zeros(grid.shape[1:], np.int32)
        for (r0, c0), (r1, c1) in sections(outline.vertices, outline.faces, grid, level):
            low, high = min(r0, r1), max(r0, r1)
            for row in range(max(int(np.ceil(low)), 0), min(int(np.ceil(high)) - 1, grid.shape[1] - 1) + 1):
                column = c0 + (row - r0) / (r1 - r0) * (c1 - c0)
                first = int(np.ceil(column))
                if first < grid.shape[2]:
                    crossed[row, max(first, 0) :] += 1
        inside[level] = crossed % 2 == 1
    return inside


def overlap(outline: Outline, drawn: Any, grid: Grid) -> Overlap:
    """Volumes from voxels; surface distances between points spread over both surfaces, area weighted."""
    ours = filled(outline, grid)
    cell = grid.voxel_volume_mm3
    corners, triangles, _, _ = measure.marching_cubes(np.pad(drawn, 1).astype(np.float32), 0.5)
    theirs = grid.to_world(corners - 1)
    a, _, wa = spread_points(outline.vertices, outline.faces, 1.5)
    b, _, wb = spread_points(theirs, triangles, 1.5)
    there, back = cKDTree(b).query(a)[0], cKDTree(a).query(b)[0]
    away, weight = np.concatenate([there, back]), np.concatenate([wa / wa.sum(), wb / wb.sum()])
    order = np.argsort(away)
    p95 = float(away[order][np.searchsorted(np.cumsum(weight[order]), 0.95 * weight.sum())])
    return Overlap(
        float(ours.sum()) * cell,
        float(drawn.sum()) * cell,
        float((ours & drawn).sum()) * cell,
        float(np.average(away, weights=weight)),
        p95,
    )


def mask_outline(mask: Any, level: int) -> list[Floats]:
    """Contours (N, 2) (row, column) of a mask in one slice."""
    return [np.asarray(c) for c in measure.find_contours(mask[level].astype(float), 0.5)]


__all__ = ["CASES", "SOURCE", "WAYS", "Overlap", "RealCase", "Tried", "filled", "overlap", "run", "sections"]
