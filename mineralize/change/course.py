"""One case's course: a rise of mineral mass, a fall of volume, fitted where four scans or more pin it.

On the log scale, by generalised least squares with the covariance that the intervals and what two scans have in
common give (``half_widths``). Every curve is a plateau times a shape; the log plateau enters linearly and is solved
for, the shape's parameters are gone through on a grid. Intervals and the band are those of the profile likelihood
(all values whose misfit exceeds the best by no more than 3.84, the 95 % point of chi-square with one degree of
freedom; Venzon and Moolgavkar 1988), so an interval that does not close is seen, and its parameter withheld.

Curves are chosen by AICc (Hurvich and Tsai 1989). It needs two scans more than parameters; at four scans a rise must
beat a constant by the likelihood ratio instead.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special

from ..base import Floats

LEAST_SCANS = 4
CHI2_95 = 3.841
"""95 % point of chi-square with one degree of freedom."""
CHI2_95_TWO = 5.991
"""The same with two: what a curve with two parameters more than a constant must gain."""
WORST_FIT = 0.001
"""Chance of a misfit as large as seen below which no curve is shown: the intervals do not explain the scatter."""
GRID, ZOOM_GRID, COARSE_GRID = 301, 121, 17
"""Values tried of each shape parameter of curves with two, at first and closed in, and with four, of them."""
LEAST_LOG_SHARE = -25.0
"""A curve that lies this far below its plateau at a scan (log scale) is none that scans could show."""
LARGEST_EXPONENT = 50.0
"""A Gompertz curve so far before its rise is as good as nothing; beyond, the exponential overflows."""
ZOOMS, ZOOM_MISFIT, ZOOM_MARGIN = 2, 12.0, 8
"""How often the grid closes in on what lies within this misfit of the best, and by how many steps it stays wider."""
STARTS, AROUND_SD = 4, 4.0
BAND_DAYS = 49


@dataclass(frozen=True)
class CourseParameter:
    """A parameter with its 95 % interval, or ``None`` and why the scans do not pin it."""

    name: str
    unit: str
    value: float | None
    low: float | None
    high: float | None
    reason: str = ""


@dataclass(frozen=True)
class CourseDay:
    """The fitted curve on one day with its 95 % band."""

    day: float
    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Course:
    """A fitted course, or (``model`` empty) the reason why there is none."""

    model: str
    reason: str
    parameters: tuple[CourseParameter, ...] = ()
    band: tuple[CourseDay, ...] = ()
    compared: tuple[tuple[str, float | None], ...] = ()

    @classmethod
    def from_row(cls, row: Mapping[str, Any] | None) -> Course | None:
        """The course of a record's row; ``None`` stays ``None``."""
        if row is None:
            return None
        return cls(
            row["model"],
            row["reason"],
            tuple(CourseParameter(**p) for p in row["parameters"]),
            tuple(CourseDay(**d) for d in row["band"]),
            tuple((name, value) for name, value in row["compared"]),
        )


@dataclass(frozen=True)
class _Shape:
    """A family of curves: the log of the share of the plateau, for days and shape parameters."""

    name: str
    parameters: tuple[str, ...]
    log_share: Callable[[Floats, Sequence[Floats]], Floats]


def _logistic(day: Floats, p: Sequence[Floats]) -> Floats:
    return -np.logaddexp(0.0, -np.exp(p[1]) * (day - p[0]))


def _gompertz(day: Floats, p: Sequence[Floats]) -> Floats:
    return -math.log(2.0) * np.exp(np.minimum(-np.exp(p[1]) * (day - p[0]), LARGEST_EXPONENT))


def _decay(day: Floats, p: Sequence[Floats]) -> Floats:
    return np.log1p(np.exp(p[0] - math.log(2.0) * day / np.exp(p[1])))


def _rise_decay(day: Floats, p: Sequence[Floats]) -> Floats:
    return _logistic(day, p[:2]) + _decay(day, p[2:])


LOGISTIC = _Shape("logistic", ("half_rise_day", "log_rate"), _logistic)
GOMPERTZ = _Shape("gompertz", ("half_rise_day", "log_rate"), _gompertz)
DECAY = _Shape("decay", ("log_excess", "log_half_life"), _decay)
RISE_DECAY = _Shape("rise then decay", ("half_rise_day", "log_rate", "log_excess", "log_half_life"), _rise_decay)
SHAPES = {"mineral_mass": (LOGISTIC, GOMPERTZ), "lesion_volume": (DECAY, LOGISTIC, RISE_DECAY)}
"""Quantities whose course is fitted, and the curves tried: mass rises, volume may rise, fall, or both."""


@dataclass(frozen=True)
class _Fit:
    """Misfit over the grid of a shape, log plateau solved for; ``spread`` is its variance."""

    shape: _Shape
    axes: tuple[Floats, ...]
    misfit: Floats
    log_plateau: Floats
    spread: float

    @property
    def best(self) -> float:
        return float(self.misfit.min())


def fit_course(quantity: str, unit: str, days: Floats, values: Floats, covariance: Floats) -> Course:
    """The course of one quantity.

    Parameters
    ----------
    days, values
        ``(scans,)``, days in order; values in ``unit``.
    covariance
        ``(scans, scans)``: of the log values.
    """
    if len(days) < LEAST_SCANS:
        return Course("", f"{len(days)} scans give a value: the change only; a curve needs {LEAST_SCANS}")
    if (values <= 0).any():
        return Course("", "a value of zero or less has no place on the log scale")
    if len(set(days.tolist())) < LEAST_SCANS:
        return Course("", f"scans lie on fewer than {LEAST_SCANS} different days")
    weight = np.linalg.inv(covariance)
    origin = float(days[0])
    since = days - origin
    log_value = np.log(values)
    usable = [s for s in SHAPES[quantity] if len(s.parameters) == 2 or len(days) > len(s.parameters) + 2]
    fits = [_fit(shape, since, log_value, weight) for shape in usable]
    constant = _fit(_Shape("constant", (), lambda day, p: np.zeros_like(day)), since, log_value, weight)
    compared = tuple((f.shape.name, a if math.isfinite(a := _aicc(f, len(days))) else None) for f in [constant, *fits])
    chosen = min(fits, key=lambda f: (_aicc(f, len(days)), f.best))
    if len(days) == LEAST_SCANS:
        beaten = constant.best - chosen.best > CHI2_95_TWO
    else:
        beaten = _aicc(chosen, len(days)) < _aicc(constant, len(days))
    if not beaten:
        return Course("", "a constant explains the scans as well as a curve does", compared=compared)
    free = len(days) - len(chosen.shape.parameters) - 1
    if free > 0 and _chance(chosen.best, free) < WORST_FIT:
        return Course("", "no curve goes through the scans within their intervals", compared=compared)
    parameters = _parameters(chosen, unit, origin)
    if all(p.value is None for p in parameters):
        return Course("", "; ".join(dict.fromkeys(p.reason for p in parameters)), parameters, compared=compared)
    return Course(chosen.shape.name, "", parameters, _band(chosen, origin, float(since[-1])), compared)


def _axes(shape: _Shape, since: Floats) -> tuple[Floats, ...]:
    """Values tried: from well before the first scan to well after the last, from slower to faster than can be seen."""
    apart = np.diff(since)
    span, least = float(since[-1]), float(apart[apart > 0.0].min())
    size = GRID if len(shape.parameters) == 2 else COARSE_GRID
    ends = {
        "half_rise_day": (-span, 2.0 * span),
        "log_rate": (math.log(0.5 / span), math.log(20.0 / least)),
        "log_excess": (math.log(0.02), math.log(50.0)),
        "log_half_life": (math.log(0.2 * least), math.log(5.0 * span)),
    }
    return tuple(np.linspace(*ends[name], size) for name in shape.parameters)


def _fit(shape: _Shape, since: Floats, log_value: Floats, weight: Floats) -> _Fit:
    """The misfit on a grid, closed in on where it is small; a good region at the first grid's end stays at the end."""
    axes = _axes(shape, since)
    fit = _on_grid(shape, axes, since, log_value, weight)
    if len(axes) > 2:
        return _on_grid(shape, _around_best(fit, since, log_value, weight), since, log_value, weight)
    for _ in range(ZOOMS if axes else 0):
        near = np.argwhere(fit.misfit <= fit.best + ZOOM_MISFIT)
        axes = tuple(
            np.linspace(
                axis[max(int(near[:, k].min()) - ZOOM_MARGIN, 0)],
                axis[min(int(near[:, k].max()) + ZOOM_MARGIN, len(axis) - 1)],
                ZOOM_GRID,
            )
            for k, axis in enumerate(axes)
        )
        fit = _on_grid(shape, axes, since, log_value, weight)
    return fit


def _around_best(coarse: _Fit, since: Floats, log_value: Floats, weight: Floats) -> tuple[Floats, ...]:
    """Axes of a grid around the least misfit, reached by least squares from the best coarse cells, wide enough for
    ``AROUND_SD`` standard errors either way but not beyond the coarse grid's ends."""
    root = np.linalg.cholesky(weight).T
    ends = np.array([(axis[0], axis[-1]) for axis in coarse.axes])

    def off(p: Floats) -> Floats:
        rest = log_value - coarse.shape.log_share(since, list(p))
        rest = rest - (weight.sum(0) @ rest) / weight.sum()
        held: Floats = root @ rest
        return held

    starts = np.argsort(coarse.misfit, axis=None)[:: max(1, coarse.misfit.size // 2000)][:STARTS]
    found = [
        optimize.least_squares(
            off,
            np.clip([axis[i] for axis, i in zip(coarse.axes, at, strict=True)], ends[:, 0], ends[:, 1]),
            bounds=ends.T,
        )
        for at in (np.unravel_index(int(k), coarse.misfit.shape) for k in starts)
    ]
    best = min(found, key=lambda result: float(result.cost))
    covariance = np.linalg.pinv(best.jac.T @ best.jac)
    reach = AROUND_SD * np.sqrt(np.maximum(np.diag(covariance), 1e-12))
    low, high = np.maximum(best.x - reach, ends[:, 0]), np.minimum(best.x + reach, ends[:, 1])
    return tuple(np.linspace(a, b, COARSE_GRID) for a, b in zip(low, high, strict=True))


def _on_grid(shape: _Shape, axes: tuple[Floats, ...], since: Floats, log_value: Floats, weight: Floats) -> _Fit:
    grids = [g[..., None] for g in np.meshgrid(*axes, indexing="ij")]
    share = shape.log_share(since, grids)
    rest = log_value - np.maximum(share, LEAST_LOG_SHARE)
    sums = weight.sum()
    log_plateau = np.asarray(rest @ weight.sum(0) / sums)
    off = rest - log_plateau[..., None]
    misfit = np.where((share < LEAST_LOG_SHARE).any(-1), np.inf, ((off @ weight) * off).sum(-1))
    return _Fit(shape, axes, misfit, log_plateau, float(1.0 / sums))


def _aicc(fit: _Fit, scans: int) -> float:
    """Akaike's criterion with its correction; infinite where there are too few scans for it."""
    k = len(fit.shape.parameters) + 1
    if scans <= k + 1:
        return math.inf
    return fit.best + 2 * k + 2 * k * (k + 1) / (scans - k - 1)


def _chance(misfit: float, free: int) -> float:
    return float(special.chdtrc(free, misfit))


def _parameters(fit: _Fit, unit: str, origin: float) -> tuple[CourseParameter, ...]:
    """Every parameter with its profile interval, or withheld where the interval runs into the end of the grid."""
    limit = fit.best + CHI2_95
    best = np.unravel_index(int(fit.misfit.argmin()), fit.misfit.shape)
    out = []
    for at, (name, axis) in enumerate(zip(fit.shape.parameters, fit.axes, strict=True)):
        others = tuple(k for k in range(fit.misfit.ndim) if k != at)
        low, high = _crossings(axis, fit.misfit.min(axis=others), limit)
        shown, show, what = _shown(name, unit, origin)
        if low is None or high is None:
            out.append(CourseParameter(shown, what, None, None, None, _open(name, before=low is None)))
        else:
            out.append(CourseParameter(shown, what, show(float(axis[best[at]])), show(low), show(high)))
    slack = limit - fit.misfit
    why = _plateau_open(fit, slack >= 0)
    if why:
        return (*out, CourseParameter("plateau", unit, None, None, None, why))
    reach = np.sqrt(np.maximum(slack, 0.0) * fit.spread)
    low, high = (
        float(v) for v in ((fit.log_plateau - reach)[slack >= 0].min(), (fit.log_plateau + reach)[slack >= 0].max())
    )
    middle = float(fit.log_plateau[best])
    return (*out, CourseParameter("plateau", unit, math.exp(middle), math.exp(low), math.exp(high)))


def _plateau_open(fit: _Fit, inside: NDArray[np.bool_]) -> str:
    """Why the plateau is open: the region of good fit reaches the end where it could be any height; else empty."""
    for at, name in enumerate(fit.shape.parameters):
        edge = {"half_rise_day": -1, "log_half_life": -1}.get(name)
        if edge is not None and bool(np.take(inside, edge, axis=at).any()):
            return "no late scan shows where it ends"
    return ""


def _crossings(axis: Floats, profile: Floats, limit: float) -> tuple[float | None, float | None]:
    """Where a profile crosses the limit on either side, between grid values; ``None`` where it does not close."""
    held = np.flatnonzero(profile <= limit)
    first, last = int(held[0]), int(held[-1])

    def between(inner: int, outer: int) -> float:
        rise = profile[outer] - profile[inner]
        share = (limit - profile[inner]) / rise if rise > 0 else 0.5
        return float(axis[inner] + share * (axis[outer] - axis[inner]))

    low = between(first, first - 1) if first > 0 else None
    high = between(last, last + 1) if last < len(axis) - 1 else None
    return low, high


def _shown(name: str, unit: str, origin: float) -> tuple[str, Callable[[float], float], str]:
    """(name, how it is shown, unit) of a shape parameter."""
    if name == "half_rise_day":
        return name, lambda v: origin + v, "d"
    if name == "log_rate":
        return "rate_per_day", math.exp, "/d"
    if name == "log_half_life":
        return "decay_half_life_days", math.exp, "d"
    return "excess_at_first_scan", math.exp, "1"


def _open(name: str, *, before: bool) -> str:
    if name == "half_rise_day":
        return "it may lie before the first scan" if before else "no late scan shows that the rise has ended"
    if name == "log_rate":
        return "the rise is too slow for these scans" if before else "no scan lies within the rise"
    if name == "log_half_life":
        return "no scan lies within the fall" if before else "no late scan shows that the fall has ended"
    return "the fall is too small for these scans" if before else "no late scan shows that the fall has ended"


def _band(fit: _Fit, origin: float, span: float) -> tuple[CourseDay, ...]:
    """Profile-likelihood band of the curve itself from the first to the last scan."""
    limit = fit.best + CHI2_95
    best = np.unravel_index(int(fit.misfit.argmin()), fit.misfit.shape)
    inside = np.argwhere(fit.misfit <= limit)
    at = tuple(inside.T)
    chosen = [fit.axes[k][inside[:, k]][:, None] for k in range(len(fit.axes))]
    days = np.linspace(0.0, span, BAND_DAYS)
    level = fit.log_plateau[at][:, None] + fit.shape.log_share(days, chosen)
    reach = np.sqrt((limit - fit.misfit[at]) * fit.spread)[:, None]
    middle = fit.log_plateau[best] + fit.shape.log_share(
        days, [np.array([fit.axes[k][best[k]]]) for k in range(len(best))]
    )
    low, high = (level - reach).min(0), (level + reach).max(0)
    rows = zip(origin + days, np.exp(middle), np.exp(low), np.exp(high), strict=True)
    return tuple(CourseDay(*(float(v) for v in row)) for row in rows)
