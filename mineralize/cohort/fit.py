"""A cohort to a fit that can be trusted, or a sentence why there is none."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ..base import InputError
from . import words
from .arrays import Arrays, Floats, Scales, arrays_of
from .intervals import HIGH, LOW, MIDDLE
from .model import PRIORS, Priors
from .sample import FULL, Diagnostics, Draws, Effort, sample, terms_of
from .visits import Cohort

LEAST_LESIONS, LEAST_REPEATED = 6, 4
"""Fewer leave the spreads between lesions to their priors (own judgement)."""
WORST_R_HAT = 1.05
"""Looser than the 1.01 asked of rank-normalised chains (Vehtari and others 2021), tighter than the old 1.1."""
LEAST_EFFECTIVE = 200
"""A 2.5 % quantile needs some hundred effective draws to be good to a tenth of a standard deviation."""
MOST_DIVERGENT = 0.01
LEAST_LEARNED = 0.5
"""A parameter whose posterior keeps more than half of the prior's standard deviation is not pinned by the data."""

Step = Callable[[str, int, int], None]


@dataclass(frozen=True)
class Interval:
    """A value with its 95 % interval: the median and the 2.5 and 97.5 % quantiles of draws."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class CohortFit:
    """A converged fit: draws in days and the cohort's unit; ``without_ends`` is the fit without the excision term."""

    cohort: Cohort
    arrays: Arrays
    family: str
    draws: Draws
    priors: Priors
    seed: int
    without_ends: tuple[float, float] | None = None

    @property
    def half_rise_day(self) -> Floats:
        """Draws of the day at which a typical lesion has half its plateau."""
        return self.arrays.scales.day * self.draws["half_rise"]

    @property
    def plateau(self) -> Floats:
        """Draws of a typical lesion's plateau."""
        held: Floats = np.exp(self.arrays.scales.log_plateau + self.draws["level"])
        return held

    @property
    def rate_per_day(self) -> Floats:
        """Draws of the rate: the logistic's or Gompertz' k."""
        held: Floats = self.draws["rate"] / self.arrays.scales.day
        return held

    @property
    def spreads(self) -> Floats:
        """Draws (n, 2) of the standard deviations between lesions: day shift in days, log plateau."""
        tail = self.draws["tail_freedom"][:, None]
        scale: Floats = self.draws["spread"] * np.array([self.arrays.scales.day, 1.0])
        held: Floats = scale * np.sqrt(tail / (tail - 2.0))
        return held

    @property
    def diagnostics(self) -> Diagnostics:
        """How well the draws were made."""
        return self.draws.diagnostics


def interval(draws: Floats) -> Interval:
    """Median and 95 % interval of draws."""
    low, value, high = np.quantile(draws, (LOW, MIDDLE, HIGH))
    return Interval(float(value), float(low), float(high))


def check_size(cohort: Cohort) -> None:
    """Refuse a cohort too small for a curve.

    Raises
    ------
    InputError
        with how many lesions and scans there are, and are needed.
    """
    repeated = sum(len({visit.day for visit in lesion.visits}) > 1 for lesion in cohort.lesions)
    if len(cohort.lesions) < LEAST_LESIONS or repeated < LEAST_REPEATED:
        raise InputError(
            words.TOO_FEW.format(
                lesions=len(cohort.lesions), repeated=repeated, least=LEAST_LESIONS, least_repeated=LEAST_REPEATED
            )
        )
    if not any(visit.value > 0 for lesion in cohort.lesions for visit in lesion.visits):
        raise InputError(
            words.TOO_FEW.format(lesions=0, repeated=0, least=LEAST_LESIONS, least_repeated=LEAST_REPEATED)
        )


def fit_cohort(
    cohort: Cohort,
    *,
    family: str = "logistic",
    seed: int = 0,
    effort: Effort = FULL,
    priors: Priors = PRIORS,
    scales: Scales | None = None,
    checked: bool = True,
    compared: bool = True,
    on_step: Step | None = None,
) -> CohortFit:
    """The fit of a cohort, tried a second time with more care where the first did not converge.

    With ``checked`` false nothing is refused: for studies of the method itself, never for a result. With ``compared``
    false the fit without the excision term is left out.

    Raises
    ------
    InputError
        where the cohort is too small, the fit does not converge, or the data do not pin a parameter.
    """
    if checked:
        check_size(cohort)
    arrays = arrays_of(cohort, scales)
    terms = terms_of(arrays, family)
    draws = sample(arrays, terms, seed=seed, effort=effort, priors=priors, on_step=on_step)
    if checked and not converged(draws.diagnostics):
        draws = sample(arrays, terms, seed=seed + 1, effort=effort.doubled(), priors=priors, on_step=on_step)
    if checked:
        check_draws(draws, priors)
    fit = CohortFit(cohort, arrays, family, draws, priors, seed)
    if not (terms.informative_ends and compared):
        return fit
    other = sample(
        arrays, terms_of(arrays, family, ends=False), seed=seed, effort=effort, priors=priors, on_step=on_step
    )
    plain = CohortFit(cohort, arrays, family, other, priors, seed)
    without = (float(np.median(plain.half_rise_day)), float(np.median(plain.plateau)))
    return CohortFit(cohort, arrays, family, draws, priors, seed, without)


def converged(found: Diagnostics) -> bool:
    """Whether draws are good enough to print quantiles of."""
    return (
        found.r_hat <= WORST_R_HAT
        and found.effective_draws >= LEAST_EFFECTIVE
        and found.divergent <= MOST_DIVERGENT * found.draws
    )


def check_draws(draws: Draws, priors: Priors) -> None:
    """Refuse draws that did not converge, or that do not pin a parameter.

    Raises
    ------
    InputError
        with the figures, and what would help.
    """
    found = draws.diagnostics
    if not converged(found):
        raise InputError(
            words.NOT_CONVERGED.format(
                r_hat=found.r_hat, effective=found.effective_draws, divergent=found.divergent, draws=found.draws
            )
        )
    check_draws_pinned(draws, priors)


def check_draws_pinned(draws: Draws, priors: Priors) -> None:
    """Refuse draws in which a parameter only repeats its prior.

    Raises
    ------
    InputError
        with the parameter, and what would pin it.
    """
    for what, values, width in (
        ("half-rise day", np.log(draws["half_rise"]), priors.log_half_rise_sd),
        ("plateau", draws["level"], priors.log_plateau_sd),
        ("rate", np.log(draws["rate"]), priors.log_steepness_sd),
    ):
        if float(np.std(values)) > LEAST_LEARNED * width:
            raise InputError(words.NOT_PINNED.format(what=what, why=words.PINNED_BY[what]))
