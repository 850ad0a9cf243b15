"""How the soft tissue of the lesion and that around it look, and what enclosing either costs a surface.

Numbers below without another source are own judgement, held against truth by ``scripts/validate``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..base import MAD_TO_SD, Floats, sample
from ..reference import Reference
from .near import Neighbourhood
from .start import Ellipsoid

FAT_OR_FLUID_HU = 15.0
"""Below it the middle of a lesion is fat or fluid rather than the tissue that makes its margin."""
WITHIN_SHELL = 0.85
"""Share of the radius of the ellipsoid through the mineral below which everything is lesion, whatever it looks like."""
CLEARLY_OUTSIDE = 2.0
"""Evidence after which a ray has left the lesion: some 2 mm of tissue that looks wholly like the outside."""
FOLLOWED, LEAST_CONTRAST = 1.5, 1.6
"""Distance of inside and outside in spreads from which a margin can be followed between mineral, and from which it is
believed where there is none to hold it."""
MIDDLE = 0.6
"""Relative radius within which the tissue is the lesion's own."""
AROUND_MM = (3.0, 10.0)
"""Where outside the lesion the tissue around it is looked at."""
FATTY_HU = -20.0
"""What is lower is fat, and not looked at."""
LEAST_VOXELS = 30
"""Fewer voxels than this say less than the muscle of the whole scan."""
LEAST_SPREAD_HU = 2.0
"""Texture of soft tissue that no noise-free scan lacks."""
MOST_SQUARES = 9.0
"""Squared distance in spreads from which tissue is neither: three of them."""


@dataclass(frozen=True, eq=False)
class Margin:
    """How the lesion's soft part stands out from the tissue around it.

    ``soft`` is HU smoothed by 1 mm on the grid of the neighbourhood; ``inside_hu`` and ``outside_hu`` are typical,
    ``spread_hu`` the standard deviation of ``soft`` in either; ``contrast`` their distance in spreads.
    """

    soft: NDArray[Any]
    inside_hu: float
    outside_hu: float
    spread_hu: float

    @property
    def contrast(self) -> float:
        return abs(self.inside_hu - self.outside_hu) / max(self.spread_hu, 1e-3)

    @property
    def visible(self) -> bool:
        """Whether the margin can be followed where there is no mineral."""
        return self.contrast >= FOLLOWED and not self.inner_only

    @property
    def inner_only(self) -> bool:
        """Whether the middle is fat or fluid, which need not reach the margin: the outline then only encloses it."""
        return self.inside_hu < FAT_OR_FLUID_HU


def mass_margin(near: Neighbourhood, reference: Reference, body: Ellipsoid) -> Margin:
    """Typical HU of the soft tissue in the middle of ``body`` and 3-10 mm outside it."""
    soft = near.soft
    box = near.grid.bounds_around(_corners(body, AROUND_MM[1]), 1.0)
    part = tuple(slice(lo, hi) for lo, hi in box)
    values = soft[part]
    relative = body.relative_radius_over(near.grid.cropped(box))
    plain = np.isfinite(values)
    mean_radius = float(np.cbrt(np.prod(body.radii)))
    inner = plain & (relative < MIDDLE)
    least, most = (1.0 + far / mean_radius for far in AROUND_MM)
    outer = plain & (relative > least) & (relative < most) & (values > FATTY_HU)
    inside = float(np.median(values[inner])) if inner.sum() >= LEAST_VOXELS else reference.muscle.mean_hu
    outside = float(np.median(values[outer])) if outer.sum() >= LEAST_VOXELS else reference.muscle.mean_hu
    spread = max(
        MAD_TO_SD * float(np.median(np.abs(values[inner] - inside))) if inner.sum() >= LEAST_VOXELS else 0.0,
        MAD_TO_SD * float(np.median(np.abs(values[outer] - outside))) if outer.sum() >= LEAST_VOXELS else 0.0,
        LEAST_SPREAD_HU,
    )
    return Margin(soft, inside, outside, spread)


def _corners(body: Ellipsoid, margin_mm: float) -> Floats:
    reach = np.abs(body.shape).sum(axis=1) + margin_mm
    return np.stack([body.centre - reach, body.centre + reach])


def region_cost(near: Neighbourhood, margin: Margin, spots: Floats, step: Floats, *, within: int = 0) -> Floats:
    """(N, L) cost of enclosing the soft tissue up to each level; 0 where inside and outside look alike.

    Levels before ``within`` belong to the lesion for certain.

    Truncated squared distances to the typical inside and outside (a piecewise constant two-region model,
    Chan and Vese 2001, IEEE TIP 10:266), so that fat planes and mineral have no say.
    """
    if margin.contrast < 1.0:
        return np.zeros(spots.shape[:2])
    soft = sample(margin.soft, near.grid, spots)
    silent = ~np.isfinite(soft)
    soft = np.where(silent, margin.inside_hu, soft)
    to_inside = np.minimum(((soft - margin.inside_hu) / margin.spread_hu) ** 2, MOST_SQUARES)
    to_outside = np.minimum(((soft - margin.outside_hu) / margin.spread_hu) ** 2, MOST_SQUARES)
    evidence = np.where(silent, 0.0, to_inside - to_outside) * step[:, None] / 10.0
    evidence[:, :within] = np.minimum(evidence[:, :within], 0.0)
    evidence = np.where(left_behind(evidence), np.maximum(evidence, 0.0), evidence)
    if margin.inner_only:
        evidence = np.minimum(evidence, 0.0)
    summed = np.cumsum(evidence, axis=1)
    return np.asarray(summed - summed.min(axis=1, keepdims=True))


def left_behind(evidence: Floats) -> NDArray[np.bool_]:
    """(N, L) whether a ray has crossed a stretch of the outside by then: fat planes beyond it are no lesion.

    The running sum that never falls below zero (CUSUM, Page 1954, Biometrika 41:100) finds the stretch.
    """
    run = np.zeros(len(evidence))
    left = np.zeros(len(evidence), bool)
    result = np.zeros(evidence.shape, bool)
    for level in range(evidence.shape[1]):
        result[:, level] = left
        run = np.maximum(run + evidence[:, level], 0.0)
        left = left | (run > CLEARLY_OUTSIDE)
    return result
