"""Sub-voxel position of the outer mineral edge, corrected for what blur does to a thin shell."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import special
from scipy.sparse import csr_matrix, diags_array

from ..base import Floats
from .layers import fit_layers

OUTSIDE_MM, INSIDE_MM, STEP_MM = 4.0, 8.0, 0.25
"""Reach and step of the profiles along the inward normal."""


def profile_depths() -> Floats:
    """Depths (mm, positive inward) at which profiles are sampled."""
    return np.arange(-OUTSIDE_MM, INSIDE_MM + STEP_MM / 2, STEP_MM)


def _width_table() -> tuple[Floats, Floats]:
    """Half-height width over blur, for box width over blur: a box convolved with a Gaussian."""
    box = np.linspace(0.05, 9.0, 180)
    width = np.empty_like(box)
    for i, t in enumerate(box):
        x = np.linspace(0.0, t / 2 + 4.0, 800)
        shape = special.ndtr(x + t / 2) - special.ndtr(x - t / 2)
        width[i] = 2 * np.interp(-shape[0] / 2, -shape, x)
    return box, width


_BOX, _WIDTH = _width_table()


def box_width(apparent_mm: Any, blur_mm: Any) -> Floats:
    """Width of a box whose blurred image has the apparent width at half height (mm); 0 at the resolution limit."""
    blur = np.maximum(np.asarray(blur_mm, float), 1e-3)
    ratio = np.asarray(apparent_mm, float) / blur
    box = np.interp(ratio, _WIDTH, _BOX, left=0.0)
    return np.asarray(np.where(ratio > _WIDTH[-1], ratio, box) * blur)


def peak_recovery(box_mm: Any, blur_mm: Any) -> Floats:
    """Share of a box's height that its blurred image still reaches."""
    return np.asarray(
        special.erf(np.asarray(box_mm, float) / (2 * np.sqrt(2) * np.maximum(np.asarray(blur_mm, float), 1e-3)))
    )


def smoothing_matrix(count: int, edges: NDArray[Any], passes: int = 1) -> csr_matrix:
    """(N, N) averaging of each vertex with its neighbours (own weight 2), repeated."""
    ones = np.ones(len(edges))
    adjacency = csr_matrix((ones, (edges[:, 0], edges[:, 1])), shape=(count, count))
    adjacency = adjacency + adjacency.T + diags_array(np.full(count, 2.0))
    step = csr_matrix(diags_array(1.0 / np.asarray(adjacency.sum(axis=1)).ravel()) @ adjacency)
    result = step
    for _ in range(passes - 1):
        result = csr_matrix(result @ step)
    return result


@dataclass(frozen=True, eq=False)
class Edges:
    """Per profile: depth of the true outer edge (mm, relative to where the profile was taken), its weight 0..1,
    the peak HU120 near the surface, the width of the mineral layer (mm; NaN where none), and whether bone
    is met with no darker line between. ``height_hu120`` is the HU120 of the layer itself, blur undone."""

    depth_mm: Floats
    weight: Floats
    peak_hu120: Floats
    thickness_mm: Floats
    contact: NDArray[np.bool_]
    height_hu120: Floats


def find_edges(
    profiles: Floats,
    bone_distance: Floats,
    blur_mm: Floats,
    *,
    muscle_hu: float,
    threshold_hu120: float,
    search_mm: float = 3.0,
) -> Edges:
    """Outer mineral edge in every profile.

    Parameters
    ----------
    profiles, bone_distance : (N, P) HU120 and mm outside bone along the inward normals (``profile_depths``).
    blur_mm : (N,) standard deviation of the blur along each normal.
    search_mm : how far inward of the present surface the outer layer's peak may lie.
    """
    at = profile_depths()
    n = len(profiles)
    rows = np.arange(n)
    free = np.where(bone_distance > 1.0, profiles, np.nan)
    free = np.where(np.isfinite(free), free, -2000.0)
    window = (at >= -2.0) & (at <= search_mm)
    masked = np.where(window, free, -2000.0)
    top = masked.argmax(axis=1)
    peak = masked[rows, top]
    # The layer nearest the outside counts: walk outward-in to the first local peak of at least 0.7 of the top.
    local = np.zeros_like(free, bool)
    local[:, 1:-1] = (free[:, 1:-1] >= free[:, :-2]) & (free[:, 1:-1] >= free[:, 2:])
    good = local & window & (free >= 0.7 * (peak[:, None] - muscle_hu) + muscle_hu)
    has = good.any(axis=1)
    top = np.where(has, good.argmax(axis=1), top)
    peak = free[rows, top]

    outer_zone = (at <= -1.2)[None, :] & (free > -1500.0)
    away = at[None, :] < at[top][:, None] - 1.0
    base_values = np.where(outer_zone & away, free, np.nan)
    counted = np.isfinite(base_values).sum(axis=1)
    base = np.full(n, muscle_hu)
    enough = counted >= 4
    if enough.any():
        base[enough] = np.nanmedian(base_values[enough], axis=1)
    base = np.clip(base, -130.0, 100.0)

    half = base + 0.5 * (peak - base)
    blur_mm = np.asarray(blur_mm, float)
    outer = _crossing(free, at, top, half, outward=True)
    inner = _crossing(free, at, top, half, outward=False)
    apparent = inner - outer
    box = box_width(np.nan_to_num(apparent, nan=99.0), blur_mm)
    box = np.where(np.isfinite(apparent), box, np.nan)
    box = _like_resolved_neighbours(box, apparent, blur_mm, peak > threshold_hu120)
    shift = np.where(np.isfinite(apparent), np.maximum(apparent - box, 0.0) / 2, 0.0)
    edge = outer + shift
    height = peak
    fitted = np.isfinite(edge) & (peak > 0.75 * threshold_hu120)
    if fitted.any():
        edge, box, height = _through_blur(
            profiles, bone_distance, at, fitted, edge, box=box, inner=inner, peak=peak, base=base, blur=blur_mm
        )

    towards_bone = np.where(bone_distance <= 0.0, at, -np.inf)
    bone_at = np.max(np.where(at[None, :] < 2.0, towards_bone, -np.inf), axis=1)
    between = (at[None, :] > bone_at[:, None]) & (at[None, :] < at[top][:, None])
    darkest = np.min(np.where(between, profiles, np.inf), axis=1)
    contact = np.isfinite(bone_at) & (darkest > 0.6 * peak) & (peak > threshold_hu120)
    edge = np.where(contact, bone_at, edge)
    weight = np.clip((peak - 0.75 * threshold_hu120) / (0.5 * threshold_hu120), 0.0, 1.0)
    weight = np.where(np.isfinite(edge), weight, 0.0)
    edge = np.where(np.isfinite(edge), edge, 0.0)
    return Edges(edge, weight, peak, np.where(weight > 0, box, np.nan), contact, np.where(fitted, height, peak))


def _through_blur(
    profiles: Floats,
    bone_distance: Floats,
    at: Floats,
    fitted: NDArray[np.bool_],
    edge: Floats,
    *,
    box: Floats,
    inner: Floats,
    peak: Floats,
    base: Floats,
    blur: Floats,
) -> tuple[Floats, Floats, Floats]:
    """Edge, width and height with the layer model fitted through the blur, for the chosen profiles.

    Where the blur along the normal is much wider than elsewhere the width leans on that of the better resolved part.
    """
    k = np.flatnonzero(fitted)
    end = np.where(np.isfinite(inner[k]), inner[k] + 1.5, at[-1])
    clear = (bone_distance[k] > 2.0 * blur[k][:, None] + 0.3) | (at[None, :] >= edge[k][:, None])
    clear &= bone_distance[k] > 0.3
    within = (at[None, :] >= edge[k][:, None] - 2.5) & (at[None, :] <= end[:, None])
    weight = (clear & within).astype(float)
    width = np.clip(np.nan_to_num(box[k], nan=6.0), 0.4, 9.0)
    share = np.clip(peak_recovery(width, blur[k]), 0.3, 1.0)
    start = (edge[k], width, (peak[k] - base[k]) / share, base[k])
    noise = 12.0
    fit = fit_layers(profiles[k], at, weight, blur[k], start, noise_hu=noise)
    sharp = blur[k] <= 1.15 * np.percentile(blur[k], 5)
    typical = float(np.median(fit.width_mm[sharp])) if sharp.sum() >= 10 else float(np.median(fit.width_mm))
    lean = np.clip(np.where(2.355 * blur[k] > typical, 0.4 * (typical / (2.355 * blur[k])) ** 2, 2.5), 0.1, 2.5)
    fit = fit_layers(
        profiles[k], at, weight, blur[k], start, noise_hu=noise, width_prior=(np.full(len(k), typical), lean)
    )
    usable = weight.sum(axis=1) >= 8
    new_edge, new_box, new_height = edge.copy(), box.copy(), peak.copy()
    new_edge[k[usable]] = fit.edge_mm[usable]
    new_box[k[usable]] = fit.width_mm[usable]
    new_height[k[usable]] = fit.inside_hu[usable] + fit.height_hu[usable]
    return new_edge, new_box, new_height


def _like_resolved_neighbours(box: Floats, apparent: Floats, blur: Floats, mineral: NDArray[np.bool_]) -> Floats:
    """Where blur along the normal hides the width, take the typical one of the best resolved part of the shell."""
    sharpest = mineral & np.isfinite(box) & (blur <= 1.15 * np.percentile(blur, 5))
    if sharpest.sum() < 20:
        return box
    typical = float(np.median(box[sharpest]))
    share = np.clip((2.355 * blur / max(typical, 0.3) - 0.8) / 0.8, 0.0, 1.0)
    share = np.where(blur <= 1.15 * np.percentile(blur, 5), np.minimum(share, 0.5), share)
    mixed = (1.0 - share) * box + share * np.minimum(typical, apparent)
    return np.where(np.isfinite(box), mixed, box)


def _crossing(values: Floats, at: Floats, top: NDArray[Any], level: Floats, *, outward: bool) -> Floats:
    """Depth where the profile first falls through ``level`` going away from its peak; NaN where it never does."""
    n, count = values.shape
    index = np.arange(count)[None, :]
    beyond = index < top[:, None] if outward else index > top[:, None]
    below = beyond & (values < level[:, None])
    found = below.any(axis=1)
    rows = np.arange(n)
    if outward:
        k = count - 1 - below[:, ::-1].argmax(axis=1)
        neighbour = np.minimum(k + 1, count - 1)
    else:
        k = below.argmax(axis=1)
        neighbour = np.maximum(k - 1, 0)
    low, high = values[rows, k], values[rows, neighbour]
    share = np.clip((level - low) / np.where(high > low, high - low, 1.0), 0.0, 1.0)
    return np.where(found, at[k] + share * (at[neighbour] - at[k]), np.nan)
