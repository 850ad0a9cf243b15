"""A layer of mineral with a sharp outer and a fuzzy inner border, fitted through the scan's blur to many profiles.

Cortex modelling of Treece 2010 (Med Image Anal 14:276) with the known blur held fixed, extended by an inner border
that may be gradual: new bone is dense outside and fades inward.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ..base import Floats, compiled


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


START_WIDTH_MM, START_FUZZ_MM, START_INSIDE_HU = (0.4, 9.0), 0.4, (-130.0, 150.0)
"""Where a fit starts: within these widths, at this spread of the inner border, and from fat to haze inside."""
EASED, STIFFENED = 0.3, 6.0
"""What damping is multiplied by after a step that was better, and one that was worse (Marquardt 1963: 0.1 and 10)."""
SETTLED = 1e-5
"""A step so small, in the standard deviations to which the parameters are tied, is the last."""


@compiled()
def _misfit(profile: Floats, scale: Floats, at: Floats, sd: float, p: Floats, rises: Floats, falls: Floats) -> float:
    """Weighted squares left by parameters ``p`` (6,) in one profile; fills the shares of either border (P,)."""
    root = math.sqrt(0.5)
    edge, width, fuzz, height, out, inn = p[0], p[1], p[2], p[3], p[4], p[5]
    wide = math.sqrt(fuzz**2 + sd**2)
    total = 0.0
    for k in range(at.shape[0]):
        if scale[k] > 0.0:
            y = at[k] - edge
            rises[k] = rise = 0.5 * math.erfc(-y / sd * root)
            falls[k] = fall = 0.5 * math.erfc(-(width - y) / wide * root)
            value = out + (inn - out) * rise + height * (fall - 1.0 + rise)
            total += scale[k] * (profile[k] - value) ** 2
    return total


@compiled()
def _equations(
    profile: Floats,
    scale: Floats,
    at: Floats,
    sd: float,
    p: Floats,
    rises: Floats,
    falls: Floats,
    normal: Floats,
    right: Floats,
) -> None:
    """Add one profile's normal equations at ``p``: lower half of ``normal`` (6, 6) and ``right`` (6,)."""
    pdf = 1.0 / math.sqrt(2.0 * math.pi)
    edge, width, fuzz, height, out, inn = p[0], p[1], p[2], p[3], p[4], p[5]
    wide = math.sqrt(fuzz**2 + sd**2)
    slope = np.empty(6)
    for k in range(at.shape[0]):
        if scale[k] > 0.0:
            y = at[k] - edge
            u, v = y / sd, (width - y) / wide
            rise, layer = rises[k], falls[k] - 1.0 + rises[k]
            du, dv = pdf * math.exp(-0.5 * u * u) / sd, pdf * math.exp(-0.5 * v * v)
            slope[0] = -(inn - out) * du + height * (dv / wide - du)
            slope[1] = height * dv / wide
            slope[2] = -height * dv * v * fuzz / wide**2
            slope[3], slope[4], slope[5] = layer, 1.0 - rise, rise
            left = profile[k] - (out + (inn - out) * rise + height * layer)
            for i in range(6):
                weighted = scale[k] * slope[i]
                right[i] += weighted * left
                for j in range(i + 1):
                    normal[i, j] += weighted * slope[j]


@compiled()
def _step(normal: Floats, right: Floats, tie: Floats, damping: float, system: Floats, step: Floats) -> None:
    """Solve the damped equations by Cholesky: they are symmetric, and positive by the ties."""
    for i in range(6):
        for j in range(i + 1):
            total = normal[i, j]
            if i == j:
                total += tie[i] + damping * (normal[i, i] + tie[i])
            for k in range(j):
                total -= system[i, k] * system[j, k]
            system[i, j] = math.sqrt(total) if i == j else total / system[j, j]
    for i in range(6):
        total = right[i]
        for k in range(i):
            total -= system[i, k] * step[k]
        step[i] = total / system[i, i]
    for i in range(5, -1, -1):
        total = step[i]
        for k in range(i + 1, 6):
            total -= system[k, i] * step[k]
        step[i] = total / system[i, i]


@compiled("f8[2] f8[1] f8[2] f8[1] f8[2] f8[2] f8[1] f8[1] i8 f8[2]! f8[1]!")
def _improve(
    profiles: Floats,
    at: Floats,
    scale: Floats,
    blur: Floats,
    centre: Floats,
    tie: Floats,
    low: Floats,
    high: Floats,
    rounds: int,
    p: Floats,
    squares: Floats,
) -> None:
    """Damped Gauss-Newton steps on ``p`` (N, 6): edge, width, fuzz, height, outside, inside, within ``low`` and
    ``high``, tied to ``centre`` by ``tie``; what is left of the weighted squares goes to ``squares`` (N,). Samples
    without weight are passed over."""
    count = at.shape[0]
    normal, right = np.empty((6, 6)), np.empty(6)
    system, step, trial = np.empty((6, 6)), np.empty(6), np.empty(6)
    rises, falls = np.empty(count), np.empty(count)
    for n in range(profiles.shape[0]):
        damping, cost, moved = 1e-2, math.inf, math.inf
        trial[:] = p[n]
        for round_ in range(rounds + 1):
            fitted = _misfit(profiles[n], scale[n], at, blur[n], trial, rises, falls)
            now = fitted
            for i in range(6):
                now += tie[n, i] * (trial[i] - centre[n, i]) ** 2
            better = round_ == 0 or now < cost
            if better:
                p[n] = trial
                cost, squares[n] = now, fitted
            if round_ > 0:
                damping = min(max(damping * (EASED if better else STIFFENED), 1e-6), 1e4)
            if round_ == rounds or (better and moved < SETTLED):
                break
            if better:
                normal[:] = 0.0
                right[:] = tie[n] * (centre[n] - p[n])
                _equations(profiles[n], scale[n], at, blur[n], trial, rises, falls, normal, right)
            _step(normal, right, tie[n], damping, system, step)
            moved = 0.0
            for i in range(6):
                trial[i] = min(max(p[n, i] + step[i], low[i]), high[i])
            trial[2] = min(trial[2], trial[1])
            for i in range(6):
                moved = max(moved, abs(trial[i] - p[n, i]) * math.sqrt(tie[n, i]))


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
    inside = np.clip(np.median(profiles[:, -4:], axis=1), *START_INSIDE_HU)
    p = np.stack(
        [edge, np.clip(width, *START_WIDTH_MM), np.full(count, START_FUZZ_MM), height, outside, inside], axis=1
    )
    centre = p.copy()
    centre[:, 2] = START_FUZZ_MM
    spread = np.array([1.0, 2.5, 0.5, 400.0, 25.0, 60.0])
    spreads = np.broadcast_to(spread, p.shape).copy()
    if width_prior is not None:
        centre[:, 1], spreads[:, 1] = width_prior[0], width_prior[1]
    low = np.array([-4.0, 0.25, 0.05, 5.0, -150.0, -150.0])
    high = np.array([4.0, 11.0, 2.5, 3500.0, 150.0, 3000.0])
    tie = 1.0 / spreads**2
    scale = weight / noise_hu**2
    squares = np.empty(count)
    blur = np.asarray(blur_mm, float)
    _improve(np.asarray(profiles, float), at, scale, blur, centre, tie, low, high, rounds, p, squares)
    misfit = np.sqrt(squares * noise_hu**2 / np.maximum(weight.sum(axis=1), 1e-6))
    return LayerFit(p[:, 0], p[:, 1], p[:, 3], p[:, 2], p[:, 4], p[:, 5], misfit)
