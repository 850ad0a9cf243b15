"""From draws to curves: the typical lesion, new lesions, and where one patient's scans lie among them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from .arrays import Floats
from .fit import CohortFit
from .intervals import ENDS, HIGH, LOW, MIDDLE
from .start import shares
from .visits import Lesion

BAND_POINTS = 60
NEW_PER_DRAW = 4
"""New lesions drawn per draw of the population: steadies the tails of their band."""


@dataclass(frozen=True)
class BandRow:
    """One day: the typical lesion (median and 95 % interval) and the central 95 % of new lesions' true values."""

    day: float
    median: float
    low: float
    high: float
    new_low: float
    new_high: float


@dataclass(frozen=True)
class Laid:
    """One scan of a laid case: its percentile among new lesions on that day, and of its own interval's ends."""

    scan: int
    day: float
    value: float
    percentile: float
    low: float | None
    high: float | None


def curve_band(fit: CohortFit) -> tuple[BandRow, ...]:
    """From day zero to the last visit, in whole days."""
    days = band_days(fit)
    typical = typical_courses(fit, days)
    new = new_courses(fit, days)
    low, median, high = np.quantile(typical, (LOW, MIDDLE, HIGH), axis=0)
    new_low, new_high = np.quantile(new, ENDS, axis=0)
    columns = (days, median, low, high, new_low, new_high)
    return tuple(BandRow(*(float(v) for v in row)) for row in zip(*columns, strict=True))


def band_days(fit: CohortFit) -> Floats:
    """Days at which the band is given."""
    last = max(visit.day for lesion in fit.cohort.lesions for visit in lesion.visits)
    step = max(1, math.ceil(last / BAND_POINTS))
    return np.arange(0.0, math.ceil(last / step) * step + 1, step)


def typical_courses(fit: CohortFit, days: ArrayLike) -> Floats:
    """Courses (draws, days) of a lesion without a shift and with the typical plateau."""
    held = np.asarray(days, float)
    steps = fit.rate_per_day[:, None] * (held[None] - fit.half_rise_day[:, None])
    return fit.plateau[:, None] * np.exp(shares(fit.family, steps)[0])


def new_courses(fit: CohortFit, days: ArrayLike, onset_within_days: float = 0.0) -> Floats:
    """True courses (draws, days) of new lesions of new patients; with an uncertain onset, on the days as stated."""
    made = np.random.default_rng((fit.seed, 17))
    shift, lift = new_lesions(fit, made)
    if onset_within_days > 0:
        shift = shift + made.uniform(-onset_within_days, onset_within_days, shift.shape)
    again = np.repeat(np.arange(len(fit.plateau)), NEW_PER_DRAW)
    steps = fit.rate_per_day[again, None] * (
        np.asarray(days, float)[None] - (fit.half_rise_day[again] + shift)[:, None]
    )
    return (fit.plateau[again] * np.exp(lift))[:, None] * np.exp(shares(fit.family, steps)[0])


def new_lesions(fit: CohortFit, made: np.random.Generator) -> tuple[Floats, Floats]:
    """(day shift, log plateau above the typical) of new lesions, ``NEW_PER_DRAW`` for each draw."""
    again = np.repeat(np.arange(len(fit.plateau)), NEW_PER_DRAW)
    tail = fit.draws["tail_freedom"][again, None]
    own = made.standard_t(np.broadcast_to(tail, (len(again), 2)))
    if "patient_share" in fit.draws.values:
        common = fit.draws["patient_share"][again, None]
        own = np.sqrt(1 - common) * own + np.sqrt(common) * made.standard_normal(own.shape)
    effect = fit.draws["spread"][again] * own
    return fit.arrays.scales.day * effect[:, 0], effect[:, 1]


def lay(fit: CohortFit, lesion: Lesion) -> tuple[Laid, ...]:
    """In which percentile of new lesions each scan of a case lies."""
    courses = new_courses(fit, [visit.day for visit in lesion.visits], lesion.onset_within_days)

    def percentile(value: float, column: int) -> float:
        return 100.0 * float(np.mean(courses[:, column] < value))

    return tuple(
        Laid(
            visit.scan,
            visit.day,
            visit.value,
            percentile(visit.value, column),
            None if visit.low is None else percentile(visit.low, column),
            None if visit.high is None else percentile(visit.high, column),
        )
        for column, visit in enumerate(lesion.visits)
    )
