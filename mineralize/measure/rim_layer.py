"""Thickness and peak of the mineral layer, fitted through the blur of the scan."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from ..base import Floats, Verdicts, caution, sample, withhold
from .estimate import Estimate, withheld
from .site import Site

LEAST_SHARE = 0.02
"""Share of the outline below which its mineral is too little for a thickness or a peak (own judgement)."""
SHARPEST = 1.3
"""Places where the blur is no more than so many times the least tell the thickness; `LEAST_PLACES` of them at least."""
LEAST_PLACES = 10
THINNEST_BLURS = 1.2
"""A layer thinner than so many blurs (sd) is hardly told from a thinner, denser one (own phantoms)."""
MOST_PATCHY = 0.4
"""Relative variation of density from which a rim is no more uncertain: beyond, it is gaps."""


@dataclass(frozen=True, eq=False)
class Rim:
    """Per vertex of the outline (V,): area mm2, highest HU120 from 1 mm outside to the rim depth as seen
    (``seen_hu120``) and with the blur of a layer of typical width undone (``peak_hu120``), the width of the mineral
    layer (mm, NaN where none), and the blur along the normal (mm). ``recovery`` is the share of a layer's height
    that the scan shows; ``height_hu120`` that of the fitted layer itself; ``edges`` (E, 2) the mesh; ``beside`` (P, 2)
    pairs of vertices within twice the blur of each other."""

    area: Floats
    seen_hu120: Floats
    peak_hu120: Floats
    thickness: Floats
    blur: Floats
    recovery: Floats
    height_hu120: Floats
    edges: NDArray[Any]
    beside: NDArray[Any]


def share_of(rim: Rim, chosen: NDArray[np.bool_]) -> float:
    return float(rim.area[chosen].sum() / rim.area.sum())


def measure_layer(site: Site, rim: Rim, mineral: NDArray[np.bool_]) -> list[Estimate]:
    """Peak attenuation and thickness over the mineralised part."""
    if share_of(rim, mineral) < LEAST_SHARE:
        why = withhold("rim-too-little")
        return [withheld("rim_peak_attenuation", "HU", why), withheld("rim_thickness", "mm", why)]
    area = rim.area
    best = mineral & np.isfinite(rim.thickness) & (rim.blur <= SHARPEST * np.percentile(rim.blur[mineral], 10))
    if best.sum() < LEAST_PLACES:
        best = mineral & np.isfinite(rim.thickness)
    ratio = site.slope_ratio
    muscle = site.reference.muscle.mean_hu
    fitted = mineral & np.isfinite(rim.thickness)
    plain = muscle + (mean_over(rim, rim.seen_hu120, mineral) - muscle) / ratio
    value = muscle + (mean_over(rim, rim.peak_hu120, mineral) - muscle) / ratio
    if fitted.sum() >= LEAST_PLACES:
        value = muscle + (mean_over(rim, rim.height_hu120, fitted) - muscle) / ratio
    patchy = _patchiness(site, rim, fitted)
    rows = []
    if best.sum() < LEAST_PLACES:
        rows.append(withheld("rim_thickness", "mm", withhold("inner-border-unseen")))
        thickness = float("nan")
    else:
        thickness = _weighted_median(rim.thickness[best], area[best])
        blur = float(np.median(rim.blur[best]))
        floor = 0.35 * blur**2 / max(thickness, 0.5 * blur)
        spread = float(np.subtract(*np.percentile(rim.thickness[best], [75, 25]))) / np.sqrt(best.sum() / 8.0)
        up = {"blur": floor + 0.08 * thickness, "sampling": spread, "outline": site.outline.spread_mm * 0.5}
        # A profile through patches falls under half of its own peak between them.
        down = up | {"patchy mineral": 1.8 * patchy * thickness}
        doubts: Verdicts = ()
        if thickness < THINNEST_BLURS * blur:
            doubts = (caution("thickness-limit", mm=2.355 * blur),)
        if share_of(rim, mineral & ~np.isfinite(rim.thickness)) > 0.5 * share_of(rim, mineral):
            doubts = (*doubts, caution("mostly-no-inner-border"))
        rows.append(Estimate("rim_thickness", "mm", thickness, down, up, doubts, (0.0, np.inf)))
    recovered = float(np.median(rim.recovery[mineral]))
    noise = 2.0 * site.reference.noise_4mm_hu
    down = {"blur": 0.35 * abs(value - plain) + 0.08 * abs(value - muscle), "noise": noise}
    up = {"blur": 0.35 * abs(value - plain) + 0.08 * abs(value - muscle)}
    up["patchy mineral"] = 1.6 * patchy * abs(value - muscle)
    more: Verdicts = ()
    if recovered < 0.5:
        more = (caution("thin-rim-lowered", share=recovered),)
    rows.append(Estimate("rim_peak_attenuation", "HU", value, down, up, more, detail={"plain_peak_hu": plain}))
    return rows


THICK_RIM_MM = (3.0, 5.0)
"""Thickness from which, and up to which ever more, patches lie behind each other in a rim rather than side by side."""
PATCH_MM = 6.0
"""Distance over which patches make neighbouring parts of a rim differ."""


def _patchiness(site: Site, rim: Rim, fitted: NDArray[np.bool_]) -> float:
    """How much (0..1) the density of a thick rim varies from place to place, noise taken off; 0 for a thin one."""
    chosen = np.flatnonzero(fitted)
    if len(chosen) < 30:
        return 0.0
    thickness = rim.thickness[chosen]
    thick = float(np.clip((np.median(thickness) - THICK_RIM_MM[0]) / np.subtract(*THICK_RIM_MM[::-1]), 0.0, 1.0))
    if thick == 0.0:
        return 0.0
    outline = site.outline
    vertices, normals = outline.vertices[chosen], outline.normals[chosen]
    depths = np.linspace(0.2, 0.8, 7)[None, :] * thickness[:, None]
    density = sample(site.hu120, site.near.grid, vertices[:, None, :] - depths[..., None] * normals[:, None, :])
    seen = np.isfinite(density).all(axis=1)
    if not seen.any():
        return 0.0
    vertices, density = vertices[seen], density[seen].mean(axis=1) - site.reference.muscle.mean_hu
    around = cKDTree(vertices).query_ball_point(vertices[::4], PATCH_MM)
    near = [density[k] for k in around if len(k) > 5]
    if not near:
        return 0.0
    varies = float(np.median([d.std() / max(float(d.mean()), 1.0) for d in near]))
    noise = site.reference.noise_hu * site.slope_ratio / max(float(np.median(density)), 1.0)
    return thick * min(float(np.sqrt(max(varies**2 - noise**2, 0.0))), MOST_PATCHY)


def mean_over(rim: Rim, values: Floats, chosen: NDArray[np.bool_]) -> float:
    return float((values[chosen] * rim.area[chosen]).sum() / rim.area[chosen].sum())


def _weighted_median(values: Floats, weights: Floats) -> float:
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    return float(values[order][int(np.searchsorted(total, total[-1] / 2))])
