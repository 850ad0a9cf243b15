"""Where sampling starts, and coordinates in which lesions sample well: a crude fit, each lesion moved by itself.

Nothing here enters the posterior: it only says from where and along which axes the sampler walks.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from .arrays import Arrays, Floats, plain

SHIFTS = np.linspace(-0.6, 0.6, 25)
"""Day shifts tried, in units of the median day."""
SPREADS = np.array([0.25, 0.6])
"""Spreads between lesions (day shift in median days, log plateau) taken for the crude fit only."""
LEAST_STEPS = -12.0
"""Steps (rate times days) before the half-rise from which a Gompertz curve counts as no lower: its share of the plateau
is exp(-113 000) there."""
LONGEST_STEP = 0.3
"""Longest step of a search, in the logarithms that it moves: beyond, the curve is no straight line."""
EXTRA_LOG_SD = 0.03
"""Added to stated errors, so that one sharp value does not rule the crude fit."""
NEWTON_STEPS = 12
RATE_STEP = 0.05
SEEN_WELL = 0.9


@dataclass(frozen=True)
class Start:
    """Crude estimates in the model's units: half-rise in median days, rate per median day, level on the log scale.

    ``lesions`` is (L, 2): each lesion's half-rise and level; ``by_rate`` (L, 2) how they move with the log rate;
    ``root`` (L, 2, 2) a Cholesky factor of their covariance; ``centred`` (L, 2) how well each is seen, in [0, 1].
    """

    half_rise: float
    off_rate: float
    level: float
    lesions: Floats
    by_rate: Floats
    root: Floats
    centred: Floats


def shares(family: str, steps: Floats) -> tuple[Floats, Floats]:
    """(log share of the plateau, its derivative by ``steps``), as in the model."""
    if family == "gompertz":
        held = np.log(2.0) * np.exp(-np.maximum(steps, LEAST_STEPS))
        return -held, np.where(steps > LEAST_STEPS, held, 0.0)
    return -np.logaddexp(0.0, -steps), 1.0 / (1.0 + np.exp(np.clip(steps, -40, 40)))


def crude_start(arrays: Arrays, steepness: float, family: str = "logistic") -> Start:
    """The best of a grid of curves, then each lesion by Gauss-Newton steps of its own."""
    data = plain(arrays)
    weight = np.where(arrays.seen & ~arrays.below, 1.0 / (arrays.log_sd**2 + EXTRA_LOG_SD**2), 0.0)
    best: tuple[float, float, float, float, Floats] | None = None
    for u in np.linspace(-1.2, 1.2, 13):
        for off_rate in np.linspace(-1.2, 1.2, 9):
            cost, level, lesions = _try(data, weight, np.exp(u), steepness * np.exp(off_rate), family)
            cost += 0.5 * u**2 + 0.5 * off_rate**2
            if best is None or cost < best[0]:
                best = (cost, float(np.exp(u)), float(off_rate), level, lesions)
    assert best is not None
    _, half_rise, off_rate, level, lesions = best
    middle = np.array([half_rise, level])
    mode, root, centred = _newton(data, weight, lesions, middle, steepness * np.exp(off_rate), family=family)
    up, _, _ = _newton(data, weight, mode, middle, steepness * np.exp(off_rate + RATE_STEP), family=family)
    by_rate = np.clip((up - mode) / RATE_STEP, -2.0, 2.0)
    known = arrays.known[:, None]
    return Start(
        half_rise, off_rate, level, np.where(known, mode, middle), np.where(known, by_rate, 0.0),
        np.where(known[..., None], root, np.eye(2)), np.where(known, centred, 0.0),
    )  # fmt: skip


def coordinates(start: Start) -> dict[str, Any]:
    """What the model needs to change coordinates (see ``_around`` there)."""
    middle = np.array([start.half_rise, start.level])
    unit = SPREADS ** (1.0 - start.centred)
    return {
        "mode": start.centred * middle + (start.lesions - middle) / unit,
        "by_rate": start.by_rate / unit,
        "root": start.root / unit[..., None],
        "centred": start.centred,
        "off_rate": np.float64(start.off_rate),
    }


def _try(
    data: dict[str, Any], weight: Floats, half_rise: float, rate: float, family: str
) -> tuple[float, float, Floats]:
    """(misfit, level, lesions) of one curve, each lesion at the best of the tried shifts."""
    steps = rate * (data["day"][None] - half_rise - SHIFTS[:, None, None])
    rest = data["log_value"][None] - shares(family, steps)[0]
    sums = weight.sum(-1)
    held = sums > 0
    level = float(np.median((weight * rest).sum(-1)[len(SHIFTS) // 2][held] / sums[held])) if held.any() else 0.0
    lift = (weight * (rest - level)).sum(-1) / (sums + 1.0 / SPREADS[1] ** 2)
    misfit = (weight * (rest - level - lift[..., None]) ** 2).sum(-1) + (lift / SPREADS[1]) ** 2
    misfit += (SHIFTS[:, None] / SPREADS[0]) ** 2
    chosen, at = misfit.argmin(0), np.arange(misfit.shape[1])
    cost = float(np.log1p(misfit[chosen, at])[data["known"]].sum())
    return cost, level, np.stack([half_rise + SHIFTS[chosen], level + lift[chosen, at]], axis=1)


def _newton(
    data: dict[str, Any], weight: Floats, lesions: Floats, middle: Floats, rate: float, *, family: str
) -> tuple[Floats, Floats, Floats]:
    """(mode, Cholesky factor of its covariance, how well each coordinate is seen) of every lesion, by Gauss-Newton."""
    at = lesions.copy()
    prior = np.diag(1.0 / SPREADS**2)
    hessian = np.broadcast_to(prior, (len(at), 2, 2))
    for _ in range(NEWTON_STEPS):
        log_share, slope = shares(family, rate * (data["day"] - at[:, :1]))
        off = data["log_value"] - at[:, 1:] - log_share
        by = np.stack([-rate * slope, np.ones_like(slope)], axis=-1)
        hessian = np.einsum("lv,lvi,lvj->lij", weight, by, by) + prior
        push = np.einsum("lv,lvi,lv->li", weight, by, off) - (at - middle) / SPREADS**2
        step = np.linalg.solve(hessian, push[..., None])[..., 0]
        at = at + np.clip(step, -LONGEST_STEP, LONGEST_STEP)
    covariance = np.linalg.inv(hessian)
    seen = 1.0 - np.diagonal(covariance, axis1=1, axis2=2) / SPREADS**2
    return at, np.linalg.cholesky(covariance), np.where(seen > SEEN_WELL, 1.0, np.clip(seen, 0.0, 1.0))
