"""The outline of the line against the true surface of the phantom, over all of it and in the gaps of the shell.

The truth is the phantom's alone (`History.surface`, `Scene.evaluate`); distances are found here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.spatial import cKDTree

from phantoms import History

Floats = Any
SHELL_MG_CM3 = 78.0
"""Mineral at which 43 HU of muscle reads 150 at 120 kV (1.369 HU per mg/cm3): less counts as a gap of the truth."""
RIM_MM = 4.0


@dataclass(frozen=True)
class Distances:
    """Mean and 95th percentile of the surface distance in mm, area weighted, of both directions the larger one."""

    mean: float
    p95: float
    share: float


@dataclass(frozen=True)
class Outlined:
    """One outline against its truth. ``measured`` is False where nothing was outlined or its size is withheld.

    ``gaps`` covers the parts of the true surface without mineral (NaN where there are none), ``bone`` those where the
    lesion lies on bone. Lengths mm; ``volume_error`` relative to truth.
    """

    case: str
    seed: int
    longest_mm: float
    shell_mm: float
    completeness: float
    slice_mm: float
    pixel_mm: float
    mineral: bool
    soft_hu: float
    volume_error: float
    whole: Distances
    gaps: Distances
    bone: Distances
    method: str
    trust: str
    reason: str

    @property
    def measured(self) -> bool:
        return self.trust in ("ok", "caution")


NOTHING = Distances(float("nan"), float("nan"), 0.0)


def compare(history: History, i: int, vertices: Floats, faces: Floats) -> dict[str, Distances]:
    """Distances of a closed mesh in LPS mm (V, 3), (F, 3) to the truth of scan ``i``: whole, gaps, bone."""
    truth = history.surface(i)
    bare, on_bone = without_mineral(history, i)
    true_tree = cKDTree(truth.world)
    points, normals, area = spread_points(vertices, faces, float(np.sqrt(truth.area.mean())))
    tree = cKDTree(points)
    to_mesh = _plane_distance(truth.world, tree, points, normals, area)
    to_truth = _plane_distance(points, true_tree, truth.world, truth.normals, truth.area)
    _, nearest = true_tree.query(points)
    found = {}
    for name, there in (("whole", np.ones(len(bare), bool)), ("gaps", bare & ~on_bone), ("bone", on_bone)):
        found[name] = _both(to_mesh, truth.area, there, to_truth, area, there[nearest])
    return found


def without_mineral(history: History, i: int) -> tuple[Floats, Floats]:
    """For the points of the true surface: whether no shell lies under them, and whether they lie on bone."""
    scene, truth = history.scene(i), history.surface(i)
    inward = -(truth.normals @ history.to_body(i)[:3, :3].T)
    depth = np.arange(0.1, RIM_MM + 0.05, 0.15)
    line = (truth.body[:, None] + inward[:, None] * depth[None, :, None]).reshape(-1, 3).astype(np.float32)
    peak = scene.evaluate_within(line).mineral.reshape(len(truth.area), -1).max(axis=1)
    on_bone = scene.in_bone((truth.body - inward * 0.3).astype(np.float32))
    return peak < SHELL_MG_CM3, np.asarray(on_bone)


def spread_points(vertices: Floats, faces: Floats, step: float) -> tuple[Floats, Floats, Floats]:
    """Points over a mesh about every ``step`` mm: (N, 3), outward unit normals of their triangles, mm2 each."""
    corners = np.asarray(vertices, float)[np.asarray(faces)]
    for _ in range(6):
        longest = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max()
        if longest <= 2 * step:
            break
        a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
        ab, bc, ca = (a + b) / 2, (b + c) / 2, (c + a) / 2
        corners = np.concatenate([np.stack(t, axis=1) for t in ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))])
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    twice = np.linalg.norm(across, axis=1)
    return corners.mean(axis=1), across / np.maximum(twice, 1e-12)[:, None], twice / 2


def _plane_distance(points: Floats, tree: Any, onto: Floats, normals: Floats, area: Floats) -> Floats:
    """Distance to a surface given by close points: to the plane of the nearest one unless that lies aside."""
    distance, nearest = tree.query(points)
    across = np.abs(((points - onto[nearest]) * normals[nearest]).sum(axis=1))
    aside = np.sqrt(np.maximum(distance**2 - across**2, 0))
    return np.where(aside < 1.5 * np.sqrt(area[nearest]) + 0.05, across, distance)


def _both(a: Floats, wa: Floats, ina: Floats, b: Floats, wb: Floats, inb: Floats) -> Distances:
    share = float(wa[ina].sum() / wa.sum())
    if share < 0.01 or not inb.any():
        return NOTHING
    one, two = _weighted(a[ina], wa[ina]), _weighted(b[inb], wb[inb])
    return Distances(max(one[0], two[0]), max(one[1], two[1]), share)


def _weighted(values: Floats, weight: Floats) -> tuple[float, float]:
    """Mean and 95th percentile."""
    order = np.argsort(values)
    share = np.cumsum(weight[order])
    at = min(int(np.searchsorted(share, 0.95 * share[-1])), len(values) - 1)
    return float(np.average(values, weights=weight)), float(values[order][at])
