"""Sub-voxel position of the outer mineral edge, corrected for what blur does to a thin shell.

Numbers below without another source are own judgement, held against truth by ``scripts/validate``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import special
from scipy.sparse import csr_matrix, diags_array

from ..base import Floats
from .layers import START_WIDTH_MM, fit_layers

OUTSIDE_MM, INSIDE_MM, STEP_MM = 4.0, 8.0, 0.25
"""Reach and step of the profiles along the inward normal."""
CLEAR_OF_BONE_MM = 1.0
"""Nearer to bone than this a sample may be the blur of cortex, and is not looked at."""
NOTHING_HU = -2000.0
"""Stands for a sample that is not looked at: below anything that a scan holds."""
LEAST_HU = -1500.0
"""Below anything that a body holds; what is lower is padding."""
PEAK_OUTSIDE_MM = 2.0
"""How far outside the present surface the peak of the layer may lie."""
NEAR_HIGHEST = 0.7
"""A local peak of this share of the highest is a layer of its own, not the shoulder of one."""
LEAST_OUTSIDE = 4
"""Samples (1 mm) that tell what lies outside the layer."""
OUTSIDE_HU = (-130.0, 100.0)
"""From fat to muscle with contrast: what may lie outside mineral that is not bone."""
ANY_MINERAL = 0.75
"""Share of the mineral threshold from which a peak is looked at: averaging and blur lower a thin rim's."""
NO_DARKER_LINE = 0.6
"""Share of the peak that everything between bone and layer keeps where the two touch."""
FWHM = 2.355
"""Full width at half maximum of a Gaussian over its standard deviation."""
FIT_OUTSIDE_MM, FIT_BEYOND_MM = 2.5, 1.5
"""How far outside the edge, and beyond the inner border, the layer is fitted."""
UNKNOWN_WIDTH_MM = 6.0
"""... where none is known: the layer fills what is seen."""
LEAST_RECOVERY = 0.3
"""Least share of its height to which a blurred layer is raised for the start."""
SHARPEST = 1.15
"""Profiles along which the blur is no more than so many times the least are well resolved."""
LEAN, LOOSE_MM, TIGHT_MM = 0.4, 2.5, 0.1
"""Standard deviation (mm) of a width about the typical one: where blur is as wide as that, falling with its square;
where blur is narrower; and at least."""
HIDDEN, HIDDEN_OVER = 0.8, 0.8
"""Width of the blur over the typical width from which it hides the width, and over which it comes to hide it wholly."""
OUTER_ZONE_MM = 1.2
"""What lies outside a layer is read from so far outside the present surface on."""
BONE_EDGE_MM, THINNEST_MM = 0.3, 0.3
"""Nearer to bone than this a sample is bone's; and the thinnest typical width."""
CORTEX_SKIRT, SKIRT_MM = 2.0, 0.3
"""Standard deviations of blur, and mm more for the place of bone, beyond which cortex adds little: a Gaussian edge
leaves 2 % of its height there."""


def profile_depths() -> Floats:
    """Depths (P,), mm, positive inward, at which profiles are sampled."""
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
    """Share, 0..1, of a box's height that its blurred image still reaches; of one pair of mm, or of (N,)."""
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
    noise_hu: float,
    search_mm: float = 3.0,
) -> Edges:
    """Outer mineral edge in every profile.

    Parameters
    ----------
    profiles, bone_distance : (N, P) HU120 and mm outside bone along the inward normals (``profile_depths``).
    blur_mm : (N,) standard deviation of the blur along each normal.
    noise_hu : standard deviation of single voxels, HU120. Averaged profiles are quieter, by about as much as a wall
        that is no plain layer misfits.
    search_mm : how far inward of the present surface the outer layer's peak may lie.
    """
    at = profile_depths()
    blur_mm = np.asarray(blur_mm, float)
    free = np.where(bone_distance > CLEAR_OF_BONE_MM, profiles, np.nan)
    free = np.where(np.isfinite(free), free, NOTHING_HU)
    top = _outer_peak(free, at, muscle_hu, search_mm)
    peak = free[np.arange(len(free)), top]
    base = _outside_value(free, at, top, muscle_hu)
    outer = _crossing(free, at, top, base + 0.5 * (peak - base), outward=True)
    inner = _crossing(free, at, top, base + 0.5 * (peak - base), outward=False)
    edge, box = _by_half_height(outer, inner, blur_mm, peak > threshold_hu120)
    height = peak
    fitted = np.isfinite(edge) & (peak > ANY_MINERAL * threshold_hu120)
    if fitted.any():
        edge, box, height = _through_blur(
            profiles,
            bone_distance,
            at,
            fitted,
            edge,
            box=box,
            inner=inner,
            peak=peak,
            base=base,
            blur=blur_mm,
            noise_hu=noise_hu,
        )
    bone_at, darkest = _bone_behind(profiles, bone_distance, at, top)
    # What the blur of cortex leaves over beside the lesion is no mineral of it.
    sure_peak = np.minimum(peak, _highest_past_cortex(profiles, bone_distance, blur_mm, at, search_mm))
    contact = np.isfinite(bone_at) & (darkest > NO_DARKER_LINE * peak) & (sure_peak > threshold_hu120)
    edge = np.where(contact, bone_at, edge)
    weight = np.clip((sure_peak - ANY_MINERAL * threshold_hu120) / (0.5 * threshold_hu120), 0.0, 1.0)
    weight = np.where(np.isfinite(edge), weight, 0.0)
    edge = np.where(np.isfinite(edge), edge, 0.0)
    return Edges(edge, weight, peak, np.where(weight > 0, box, np.nan), contact, np.where(fitted, height, peak))


def _past_cortex(bone_distance: Floats, blur: Floats) -> NDArray[np.bool_]:
    """(N, P) where samples lie so far outside bone that the blur (N,) of its cortex hardly reaches them."""
    return np.asarray(bone_distance > CORTEX_SKIRT * blur[:, None] + SKIRT_MM)


def _highest_past_cortex(profiles: Floats, bone_distance: Floats, blur: Floats, at: Floats, search_mm: float) -> Floats:
    """(N,) highest value where a layer may lie and the blur of cortex does not reach; -inf where there is no such."""
    window = (at >= -PEAK_OUTSIDE_MM) & (at <= search_mm)
    return np.asarray(np.max(np.where(window & _past_cortex(bone_distance, blur), profiles, -np.inf), axis=1))


def _outer_peak(free: Floats, at: Floats, muscle_hu: float, search_mm: float) -> NDArray[np.intp]:
    """(N,) sample of the peak of the layer nearest the outside: the first local one that is near the highest."""
    window = (at >= -PEAK_OUTSIDE_MM) & (at <= search_mm)
    masked = np.where(window, free, NOTHING_HU)
    top = masked.argmax(axis=1)
    peak = masked[np.arange(len(free)), top]
    local = np.zeros_like(free, bool)
    local[:, 1:-1] = (free[:, 1:-1] >= free[:, :-2]) & (free[:, 1:-1] >= free[:, 2:])
    good = local & window & (free >= NEAR_HIGHEST * (peak[:, None] - muscle_hu) + muscle_hu)
    return np.asarray(np.where(good.any(axis=1), good.argmax(axis=1), top))


def _outside_value(free: Floats, at: Floats, top: NDArray[np.intp], muscle_hu: float) -> Floats:
    """(N,) HU120 of what lies outside the layer: the median there, or muscle where too little of it is free."""
    outer_zone = (at <= -OUTER_ZONE_MM)[None, :] & (free > LEAST_HU)
    away = at[None, :] < at[top][:, None] - 1.0
    values = np.where(outer_zone & away, free, np.nan)
    base = np.full(len(free), muscle_hu)
    enough = np.isfinite(values).sum(axis=1) >= LEAST_OUTSIDE
    if enough.any():
        base[enough] = np.nanmedian(values[enough], axis=1)
    return np.asarray(np.clip(base, *OUTSIDE_HU))


def _by_half_height(outer: Floats, inner: Floats, blur: Floats, mineral: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Edge and width (N,) of the layer from where its profile passes half height, widened by blur as it is."""
    apparent = inner - outer
    box = box_width(np.nan_to_num(apparent, nan=99.0), blur)
    box = np.where(np.isfinite(apparent), box, np.nan)
    box = _like_resolved_neighbours(box, apparent, blur, mineral)
    return outer + np.where(np.isfinite(apparent), np.maximum(apparent - box, 0.0) / 2, 0.0), box


def _bone_behind(profiles: Floats, bone_distance: Floats, at: Floats, top: NDArray[np.intp]) -> tuple[Floats, Floats]:
    """Depth (N,) of the bone that ends a layer on its outer side, -inf where none, and the darkest HU120 between."""
    towards_bone = np.where(bone_distance <= 0.0, at, -np.inf)
    bone_at = np.max(np.where(at[None, :] < 2.0, towards_bone, -np.inf), axis=1)
    between = (at[None, :] > bone_at[:, None]) & (at[None, :] < at[top][:, None])
    return bone_at, np.min(np.where(between, profiles, np.inf), axis=1)


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
    noise_hu: float,
) -> tuple[Floats, Floats, Floats]:
    """Edge, width and height with the layer model fitted through the blur, for the chosen profiles.

    Where the blur along the normal is much wider than elsewhere the width leans on that of the better resolved part.
    """
    k = np.flatnonzero(fitted)
    end = np.where(np.isfinite(inner[k]), inner[k] + FIT_BEYOND_MM, at[-1])
    clear = _past_cortex(bone_distance[k], blur[k]) | (at[None, :] >= edge[k][:, None])
    clear &= bone_distance[k] > BONE_EDGE_MM
    within = (at[None, :] >= edge[k][:, None] - FIT_OUTSIDE_MM) & (at[None, :] <= end[:, None])
    weight = (clear & within).astype(float)
    width = np.clip(np.nan_to_num(box[k], nan=UNKNOWN_WIDTH_MM), *START_WIDTH_MM)
    share = np.clip(peak_recovery(width, blur[k]), LEAST_RECOVERY, 1.0)
    start = (edge[k], width, (peak[k] - base[k]) / share, base[k])
    fit = fit_layers(profiles[k], at, weight, blur[k], start, noise_hu=noise_hu)
    sharp = blur[k] <= SHARPEST * np.percentile(blur[k], 5)
    typical = float(np.median(fit.width_mm[sharp])) if sharp.sum() >= 10 else float(np.median(fit.width_mm))
    lean = np.where(FWHM * blur[k] > typical, LEAN * (typical / (FWHM * blur[k])) ** 2, LOOSE_MM)
    lean = np.clip(lean, TIGHT_MM, LOOSE_MM)
    fit = fit_layers(
        profiles[k], at, weight, blur[k], start, noise_hu=noise_hu, width_prior=(np.full(len(k), typical), lean)
    )
    usable = weight.sum(axis=1) >= 8
    new_edge, new_box, new_height = edge.copy(), box.copy(), peak.copy()
    new_edge[k[usable]] = fit.edge_mm[usable]
    new_box[k[usable]] = fit.width_mm[usable]
    new_height[k[usable]] = fit.inside_hu[usable] + fit.height_hu[usable]
    return new_edge, new_box, new_height


def _like_resolved_neighbours(box: Floats, apparent: Floats, blur: Floats, mineral: NDArray[np.bool_]) -> Floats:
    """Where blur along the normal hides the width, take the typical one of the best resolved part of the shell."""
    sharpest = mineral & np.isfinite(box) & (blur <= SHARPEST * np.percentile(blur, 5))
    if sharpest.sum() < 20:
        return box
    typical = float(np.median(box[sharpest]))
    share = np.clip((FWHM * blur / max(typical, THINNEST_MM) - HIDDEN) / HIDDEN_OVER, 0.0, 1.0)
    share = np.where(blur <= SHARPEST * np.percentile(blur, 5), np.minimum(share, 0.5), share)
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
