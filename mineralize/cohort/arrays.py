"""A cohort as arrays of a few fixed shapes, so that cohorts of like size share one compiled model."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..change import CAUTION_FACTOR
from .visits import Cohort, Lesion, Visit

Floats = NDArray[np.float64]

Z95 = 1.959964
"""Half-width of a 95 % interval in standard deviations of a normal error."""
LEAST_LOG_SD = 0.005
"""No value counts as known better than to half a percent: tables carry five digits, and no course is exact."""
UNSTATED_LOG_SD = 0.10
"""Error assumed where a table states no interval; the fitted factor on all errors corrects it (own judgement)."""
WIDEST_LOG_SD = 1.0
"""Error of a value whose interval reaches zero: it says little more than the order of magnitude."""
BELOW_LOG_SD = 0.3
"""Error, on the log scale, where a value of zero or less is only known to lie below the floor (own judgement)."""
FLOOR_SHARE = 0.05
"""Values below this share of a typical lesion's highest count as 'below it', no more: what is fainter than the
threshold of mineral is not seen, and no curve is meant to hold there (own judgement)."""
COVARIATES = ("kvp", "slice", "kernel")
COVARIATE_UNITS = ("per 20 kV", "per doubling of slice thickness", "sharp kernel against others")
LESION_STEPS = (8, 16, 24, 32, 48, 64, 96, 128, 192, 256, 384, 512, 768, 1024)
VISIT_STEPS = (4, 6, 8, 12, 16, 24)


@dataclass(frozen=True)
class Scales:
    """What the priors are centred on: a day and a log value of the data's own size."""

    day: float
    log_plateau: float


@dataclass(frozen=True)
class Arrays:
    """Padded arrays of a cohort: lesions L, visits V.

    ``day``, ``log_value``, ``log_sd`` are (L, V); ``seen`` marks true visits, ``below`` those known only to lie
    below ``log_value``. ``covariates`` is (L, V, 3), centred on the cohort's mean. ``onset_sd`` (days), ``excised``,
    ``known`` (a true lesion, not padding) and ``patient`` (a number) are (L,).
    """

    day: Floats
    log_value: Floats
    log_sd: Floats
    seen: NDArray[np.bool_]
    below: NDArray[np.bool_]
    covariates: Floats
    onset_sd: Floats
    excised: Floats
    known: NDArray[np.bool_]
    patient: NDArray[np.int64]
    used_covariates: tuple[str, ...]
    scales: Scales

    @property
    def nested(self) -> bool:
        """Whether some patient has more than one lesion."""
        held = self.patient[self.known]
        return len(set(held.tolist())) < len(held)

    @property
    def onset_uncertain(self) -> bool:
        """Whether some lesion's day zero is uncertain."""
        return bool((self.onset_sd[self.known] > 0).any())

    @property
    def limits(self) -> bool:
        """Whether some visit is known only to lie below a limit."""
        return bool((self.below & self.seen).any())

    @property
    def informative_ends(self) -> bool:
        """Whether some, but not all, lesions were excised."""
        ends = self.excised[self.known]
        return bool(0 < ends.sum() < len(ends))


def arrays_of(cohort: Cohort, scales: Scales | None = None) -> Arrays:
    """The cohort's arrays; ``scales`` fixes what the priors are centred on, else the data's own size does."""
    lesions, scales = cohort.lesions, scales or own_scales(cohort)
    floor = scales.log_plateau + math.log(FLOOR_SHARE)
    rows = _step(len(lesions), LESION_STEPS)
    columns = _step(max(len(lesion.visits) for lesion in lesions), VISIT_STEPS)
    shape = (rows, columns)
    day, log_value = np.zeros(shape), np.zeros(shape)
    log_sd = np.full(shape, UNSTATED_LOG_SD)
    seen, below = np.zeros(shape, bool), np.zeros(shape, bool)
    for i, lesion in enumerate(lesions):
        for j, visit in enumerate(lesion.visits):
            day[i, j], seen[i, j] = visit.day, True
            log_value[i, j], log_sd[i, j] = log_reading(visit)
            if log_value[i, j] < floor:
                log_value[i, j], below[i, j] = floor, True
    covariates, used = _covariates(lesions, shape, seen)
    onset_sd, excised, known = np.zeros(rows), np.zeros(rows), np.zeros(rows, bool)
    names = {name: number for number, name in enumerate(dict.fromkeys(lesion.patient for lesion in lesions))}
    patient = np.full(rows, rows - 1, np.int64)
    for i, lesion in enumerate(lesions):
        # Anywhere within +-w with equal chance has a standard deviation of w over the root of three.
        onset_sd[i] = lesion.onset_within_days / math.sqrt(3.0)
        excised[i], known[i], patient[i] = float(lesion.excised), True, names[lesion.patient]
    return Arrays(
        day, log_value, log_sd, seen, below, covariates, onset_sd, excised, known, patient, used,
        scales,
    )  # fmt: skip


def log_reading(visit: Visit) -> tuple[float, float]:
    """(log value, its standard deviation) of one visit; minus infinity for a value of zero or less.

    The interval's ratio gives the error on the log scale. Where it reaches zero, the upper half does. A value given
    with caution counts with an interval twice as wide, as between two scans of one case.
    """
    wider = CAUTION_FACTOR if visit.trust == "caution" else 1.0
    if visit.value <= 0:
        return -math.inf, BELOW_LOG_SD
    if visit.low is None or visit.high is None:
        return math.log(visit.value), UNSTATED_LOG_SD * wider
    if visit.low > 0:
        sd = math.log(visit.high / visit.low) / (2 * Z95)
    else:
        sd = (visit.high - visit.value) / (Z95 * visit.value)
    return math.log(visit.value), float(np.clip(sd * wider, LEAST_LOG_SD, WIDEST_LOG_SD))


def own_scales(cohort: Cohort) -> Scales:
    """The median day, and the median over lesions of the highest log value."""
    days = [visit.day for lesion in cohort.lesions for visit in lesion.visits]
    tops = [max(log_reading(visit)[0] for visit in lesion.visits) for lesion in cohort.lesions]
    return Scales(max(float(np.median(days)), 1.0), float(np.median([top for top in tops if math.isfinite(top)])))


def _step(size: int, steps: Sequence[int]) -> int:
    return next((step for step in steps if step >= size), size)


def _covariates(
    lesions: Sequence[Lesion], shape: tuple[int, int], seen: NDArray[np.bool_]
) -> tuple[Floats, tuple[str, ...]]:
    """Columns of :data:`COVARIATES`, centred; all zero where a covariate never differs. Unknown counts as the mean."""
    held = np.full((*shape, len(COVARIATES)), np.nan)
    for i, lesion in enumerate(lesions):
        for j, visit in enumerate(lesion.visits):
            held[i, j] = _acquisition(visit)
    used = []
    for k, name in enumerate(COVARIATES):
        column = held[..., k]
        stated = column[seen & np.isfinite(column)]
        if len(stated) and np.ptp(stated) > 1e-6:
            used.append(name)
            held[..., k] = np.where(np.isfinite(column), column - stated.mean(), 0.0)
        else:
            held[..., k] = 0.0
    return held, tuple(used)


def _acquisition(visit: Visit) -> tuple[float, float, float]:
    nothing = math.nan
    return (
        (visit.kvp - 120.0) / 20.0 if visit.kvp else nothing,
        math.log2(visit.slice_mm) if visit.slice_mm else nothing,
        float(visit.kernel == "sharp") if visit.kernel else nothing,
    )


def plain(arrays: Arrays) -> dict[str, Any]:
    """What the model takes: arrays only, so that the compiled model depends on shapes alone.

    Days are in units of the median day, log values are measured from the scale of the plateau.
    """
    return {
        "day": arrays.day / arrays.scales.day,
        "log_value": arrays.log_value - arrays.scales.log_plateau,
        "log_sd": arrays.log_sd,
        "seen": arrays.seen,
        "below": arrays.below,
        "covariates": arrays.covariates,
        "onset_sd": arrays.onset_sd / arrays.scales.day,
        "excised": arrays.excised,
        "known": arrays.known,
        "patient": arrays.patient,
    }
