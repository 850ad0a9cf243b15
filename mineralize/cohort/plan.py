"""How well a study of a given size would know the curve: cohorts drawn from a fit, and fitted again."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..base import InputError, UsageError
from . import words
from .arrays import Z95, Floats, arrays_of
from .fit import LEAST_LESIONS, CohortFit, Step, check_draws_pinned, interval
from .model import PRIORS
from .sample import BRIEF, sample, terms_of
from .start import shares
from .visits import Cohort, Lesion, Visit

REPEATS = 8
"""Studies drawn per size: the median width is then good to about a tenth."""
MOST_LESIONS = 1000


@dataclass(frozen=True)
class Plan:
    """Sizes of study to compare, and the days from onset at which every lesion is scanned."""

    lesions: tuple[int, ...]
    days: tuple[float, ...]


def parse_plan(text: str) -> Plan:
    """``n=20,40,80 days=21,42,90,180`` as a plan.

    Raises
    ------
    UsageError
        where the text has another form.
    """
    found = dict(re.findall(r"(n|days)=([0-9.,]+)", text))
    left = re.sub(r"(n|days)=[0-9.,]+", "", text).strip()
    try:
        lesions = tuple(int(part) for part in found["n"].split(","))
        days = tuple(float(part) for part in found["days"].split(","))
    except (KeyError, ValueError) as error:
        raise UsageError(words.PLAN_FORM) from error
    if left or any(n < LEAST_LESIONS or n > MOST_LESIONS for n in lesions) or len(set(days)) < 2:
        raise UsageError(
            words.PLAN_LIMITS.format(least=LEAST_LESIONS, most=MOST_LESIONS) if not left else words.PLAN_FORM
        )
    return Plan(lesions, tuple(sorted(set(days))))


def plan_study(fit: CohortFit, plan: Plan, *, repeats: int = REPEATS, on_step: Step | None = None) -> dict[str, Any]:
    """Widths of the 95 % intervals of half-rise day (days) and plateau (percent of it), for each size of study."""
    made = np.random.default_rng((fit.seed, 31))
    studies: list[dict[str, Any]] = []
    for at, lesions in enumerate(plan.lesions):
        widths: list[tuple[float, float]] = []
        for number in range(repeats):
            if on_step is not None:
                on_step("draw studies and fit them", at * repeats + number, len(plan.lesions) * repeats)
            width = _widths(_study(fit, lesions, plan.days, made), fit.family, number)
            if width is not None:
                widths.append(width)
        columns = [_summary([width[k] for width in widths]) for k in range(2)]
        studies.append(
            {
                "lesions": lesions,
                "simulated": repeats,
                "refused": repeats - len(widths),
                "half_rise_day_width": columns[0],
                "plateau_width_percent": columns[1],
            }
        )
    return {"days": list(plan.days), "studies": studies}


def plan_text(plan: dict[str, Any], unit_name: str = "days") -> str:
    """The plan as a table for a terminal."""
    lines = ["lesions  half-rise day: width of 95 % interval  plateau: width       refused"]
    for row in plan["studies"]:
        half, top = row["half_rise_day_width"], row["plateau_width_percent"]
        first = (
            "not pinned"
            if half is None
            else f"{half['median']:.3g} {unit_name} ({half['low']:.3g} to {half['high']:.3g})"
        )
        second = "not pinned" if top is None else f"{top['median']:.0f} % ({top['low']:.0f} to {top['high']:.0f})"
        lines.append(f"{row['lesions']:7d}  {first:37s}  {second:19s}  {row['refused']} of {row['simulated']}")
    return "\n".join(lines)


def _summary(values: Sequence[float]) -> dict[str, float] | None:
    if not values:
        return None
    return {"median": float(np.median(values)), "low": float(min(values)), "high": float(max(values))}


def _widths(cohort: Cohort, family: str, seed: int) -> tuple[float, float] | None:
    """(days, percent), or ``None`` where such a study would be refused."""
    arrays = arrays_of(cohort)
    draws = sample(arrays, terms_of(arrays, family), seed=seed, effort=BRIEF)
    try:
        check_draws_pinned(draws, PRIORS)
    except InputError:
        return None
    half = interval(arrays.scales.day * draws["half_rise"])
    top = interval(np.exp(arrays.scales.log_plateau + draws["level"]))
    return half.high - half.low, 100.0 * (top.high - top.low) / top.value


def _study(fit: CohortFit, lesions: int, days: Sequence[float], made: np.random.Generator) -> Cohort:
    """A cohort of the planned size, its population one draw of the fit, its errors those of the fitted scans."""
    draws, arrays = fit.draws, fit.arrays
    i = int(made.integers(len(fit.plateau)))
    effect = draws["spread"][i] * made.standard_t(draws["tail_freedom"][i], (lesions, 2))
    stated: Floats = arrays.log_sd[arrays.seen]
    held = []
    for number, (shift, lift) in enumerate(effect):
        at = draws["half_rise"][i] + shift
        mean = draws["level"][i] + lift + arrays.scales.log_plateau
        mean = mean + shares(fit.family, draws["rate"][i] * (np.asarray(days) / arrays.scales.day - at))[0]
        sd = made.choice(stated, len(days))
        value = np.exp(mean + draws["error_factor"][i] * sd * made.standard_normal(len(days)))
        reach = np.exp(Z95 * sd)
        visits = tuple(
            Visit(k + 1, day, float(value[k]), float(value[k] / reach[k]), float(value[k] * reach[k]))
            for k, day in enumerate(days)
        )
        held.append(Lesion(f"L{number + 1}", f"L{number + 1}", visits))
    return Cohort(fit.cohort.quantity, fit.cohort.unit, tuple(held))
