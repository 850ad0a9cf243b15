"""A layer of mineral with a sharp outer and a fuzzy inner border, fitted through the scan's blur to many profiles.

Cortex modelling of Treece 2010 (Med Image Anal 14:276) with the known blur held fixed, extended by an inner border
that may be gradual: new bone is dense outside and fades inward.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import special

from ..base import Floats

_PDF = 1.0 / np.sqrt(2.0 * np.pi)


@dataclass(frozen=True, eq=False)
class LayerFit:
    """Per profile (N,): outer border and width of the layer (mm), its height over the tissue inside (HU), spread of the
    inner border (mm), HU outside and inside, and the root mean square misfit (HU)."""

    edge_mm: Floats
    width_mm: Floats
    height_hu: Floats
    fuzz_mm: Floats
    outside_hu: Floats
    inside_hu: Floats
    misfit_hu: Floats


def _model(at: Floats, p: Floats, blur: Floats) -> tuple[Floats, Floats]:
    """Values (N, P) and derivatives (N, P, 6) for parameters (N, 6): edge, width, fuzz, height, outside, inside."""
    edge, width, fuzz, height, out, inn = (p[:, i, None] for i in range(6))
    sd = blur[:, None]
    wide = np.sqrt(fuzz**2 + sd**2)
    y = at[None, :] - edge
    u, v = y / sd, (width - y) / wide
    rise, fall = special.ndtr(u), special.ndtr(v)
    du, dv = _PDF * np.exp(-0.5 * u**2) / sd, _PDF * np.exp(-0.5 * v**2)
    layer = fall - 1.0 + rise
    values = out + (inn - out) * rise + height * layer
    jac = np.empty((*values.shape, 6))
    jac[..., 0] = -(inn - out) * du + height * (dv / wide - du)
    jac[..., 1] = height * dv / wide
    jac[..., 2] = -height * dv * v * fuzz / wide**2
    jac[..., 3] = layer
    jac[..., 4] = 1.0 - rise
    jac[..., 5] = rise
    return values, jac


def fit_layers(
    profiles: Floats,
    at: Floats,
    weight: Floats,
    blur_mm: Floats,
    start: tuple[Floats, Floats, Floats, Floats],
    *,
    noise_hu: float,
    width_prior: tuple[Floats, Floats] | None = None,
    rounds: int = 7,
) -> LayerFit:
    """Fit every profile by damped Gauss-Newton steps, all at once.

    Parameters
    ----------
    profiles, weight : (N, P) HU and 0..1 at depths ``at`` (P,) mm.
    blur_mm : (N,) standard deviation of the blur along each profile.
    start : (edge, width, height, outside), each (N,).
    noise_hu : standard deviation of a profile sample.
    width_prior : (width, standard deviation), both (N,), expected of the layer, such as that of its neighbours.
    """
    edge, width, height, outside = (np.asarray(s, float) for s in start)
    count = len(profiles)
    inside = np.clip(np.median(profiles[:, -4:], axis=1), -130.0, 150.0)
    p = np.stack([edge, np.clip(width, 0.4, 9.0), np.full(count, 0.4), height, outside, inside], axis=1)
    centre = p.copy()
    centre[:, 2] = 0.4
    spread = np.array([1.0, 2.5, 0.5, 400.0, 25.0, 60.0])
    spreads = np.broadcast_to(spread, p.shape).copy()
    if width_prior is not None:
        centre[:, 1], spreads[:, 1] = width_prior[0], width_prior[1]
    low = np.array([-4.0, 0.25, 0.05, 5.0, -150.0, -150.0])
    high = np.array([4.0, 11.0, 2.5, 3500.0, 150.0, 3000.0])
    tie = 1.0 / spreads**2
    scale = weight / noise_hu**2
    damping = np.full(count, 1e-2)

    def cost_of(q: Floats, values: Floats) -> Floats:
        return np.asarray((scale * (profiles - values) ** 2).sum(axis=1) + (tie * (q - centre) ** 2).sum(axis=1))

    values, jac = _model(at, p, blur_mm)
    cost = cost_of(p, values)
    for _ in range(rounds):
        weighted = jac * scale[..., None]
        normal = np.einsum("npi,npj->nij", weighted, jac, optimize=True)
        right = np.einsum("npi,np->ni", weighted, profiles - values) + tie * (centre - p)
        diagonal = np.einsum("nii->ni", normal)
        system = normal + _diagonal(tie + damping[:, None] * (diagonal + tie))
        step = np.linalg.solve(system, right[..., None])[..., 0]
        trial = np.clip(p + step, low, high)
        trial[:, 2] = np.minimum(trial[:, 2], trial[:, 1])
        trial_values, trial_jac = _model(at, trial, blur_mm)
        trial_cost = cost_of(trial, trial_values)
        better = trial_cost < cost
        p = np.where(better[:, None], trial, p)
        values = np.where(better[:, None], trial_values, values)
        jac = np.where(better[:, None, None], trial_jac, jac)
        cost = np.where(better, trial_cost, cost)
        damping = np.clip(np.where(better, damping * 0.3, damping * 6.0), 1e-6, 1e4)
    total = np.maximum(weight.sum(axis=1), 1e-6)
    misfit = np.sqrt((weight * (profiles - values) ** 2).sum(axis=1) / total)
    return LayerFit(p[:, 0], p[:, 1], p[:, 3], p[:, 2], p[:, 4], p[:, 5], misfit)


def _diagonal(values: Floats) -> NDArray[Any]:
    """(N, K, K) diagonal matrices of (N, K)."""
    result = np.zeros((*values.shape, values.shape[1]))
    index = np.arange(values.shape[1])
    result[:, index, index] = values
    return result
