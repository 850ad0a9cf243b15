"""What the fit says of the visits that were seen: residuals, and visits as the model would draw them again."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .arrays import FLOOR_SHARE, Floats
from .fit import CohortFit
from .intervals import ENDS
from .start import shares

QUANTILES = (0.1, 0.5, 0.9)
LEAST_PER_BIN = 8
MOST_BINS = 6
REPEATS = 400


@dataclass(frozen=True)
class Bin:
    """Visits of a span of days: observed quantiles of the value, and 95 % intervals of what the model draws."""

    first_day: float
    last_day: float
    visits: int
    observed: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]


def residuals(fit: CohortFit) -> tuple[Floats, Floats, Floats]:
    """(day, fitted value, standardised residual) of every visit that is no mere limit."""
    arrays, held = fit.arrays, fit.arrays.seen & ~fit.arrays.below
    mean = _own_mean(fit)
    off = (arrays.log_value - mean) / (arrays.log_sd * float(np.median(fit.draws["error_factor"])))
    return arrays.day[held], np.exp(mean[held]), off[held]


def _own_mean(fit: CohortFit) -> Floats:
    """(L, V) posterior mean of the log value that a visit should have, its lesion being known."""
    draws, arrays = fit.draws, fit.arrays
    total = np.zeros(arrays.day.shape)
    chosen = _chosen(fit)
    for i in chosen:
        at = draws["half_rise"][i] + draws["shift"][i] + draws["onset_error"][i]
        steps = draws["rate"][i] * (arrays.day / arrays.scales.day - at[:, None])
        own = (draws["level"][i] + draws["lift"][i])[:, None] + arrays.scales.log_plateau
        total += own + arrays.covariates @ draws["slopes"][i] + shares(fit.family, steps)[0]
    return total / len(chosen)


def _chosen(fit: CohortFit) -> NDArray[np.int64]:
    size = len(fit.plateau)
    return np.linspace(0, size - 1, min(REPEATS, size)).astype(np.int64)


def redraw(fit: CohortFit) -> Floats:
    """Log values (repeats, L, V) of the same visits by new lesions, drawn again with their errors."""
    made = np.random.default_rng((fit.seed, 23))
    draws, arrays = fit.draws, fit.arrays
    lesions = arrays.day.shape[0]
    out = []
    for i in _chosen(fit):
        own = made.standard_t(draws["tail_freedom"][i], (lesions, 2))
        if "patient_share" in draws.values:
            common = draws["patient_share"][i]
            shared = made.standard_normal((lesions, 2))[arrays.patient]
            own = np.sqrt(1 - common) * own + np.sqrt(common) * shared
        effect = draws["spread"][i] * own
        onset = arrays.onset_sd / arrays.scales.day * made.standard_normal(lesions)
        at = draws["half_rise"][i] + effect[:, 0] + onset
        steps = draws["rate"][i] * (arrays.day / arrays.scales.day - at[:, None])
        mean = (draws["level"][i] + effect[:, 1])[:, None] + arrays.scales.log_plateau
        mean = mean + arrays.covariates @ draws["slopes"][i] + shares(fit.family, steps)[0]
        error = draws["error_factor"][i] * arrays.log_sd * made.standard_normal(arrays.day.shape)
        out.append(mean + error)
    return np.stack(out)


def predictive_check(fit: CohortFit) -> tuple[Bin, ...]:
    """Quantiles of the visits by day, observed against drawn again (visual predictive check, Holford 2005)."""
    arrays = fit.arrays
    # What lies below the floor was read as the floor, and so is what is drawn again.
    floor = arrays.scales.log_plateau + np.log(FLOOR_SHARE)
    again = np.maximum(redraw(fit)[:, arrays.seen], floor)
    days, seen = arrays.day[arrays.seen], arrays.log_value[arrays.seen]
    order = np.argsort(days, kind="stable")
    count = int(np.clip(len(days) // LEAST_PER_BIN, 1, MOST_BINS))
    bins = []
    for part in np.array_split(order, count):
        observed = np.quantile(seen[part], QUANTILES, method="inverted_cdf")
        drawn = np.quantile(again[:, part], QUANTILES, axis=1, method="inverted_cdf")
        low, high = np.quantile(drawn, ENDS, axis=1)
        bins.append(
            Bin(
                float(days[part].min()), float(days[part].max()), len(part),
                *(tuple(float(v) for v in np.exp(row)) for row in (observed, low, high)),
            )
        )  # fmt: skip
    return tuple(bins)
