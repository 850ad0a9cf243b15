"""The whole way from tables to a record of the cohort's curve."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from ..base import InputError
from . import record, words
from .band import lay
from .fit import Step, fit_cohort
from .gather import read_cohort
from .plan import REPEATS, Plan, plan_study
from .visits import Cohort, Lesion

PLAN_REPEATS = REPEATS


@dataclass(frozen=True)
class CurveRequest:
    """What is asked of a cohort.

    ``tables`` are tables of measurements or folders with one. ``about`` is a table of what else is known of cases.
    ``lay`` names a case of the tables, or a table of one case. ``onset_within_days`` is half the span of day zero of
    lesions of which nothing else is said.
    """

    tables: tuple[Path, ...]
    quantity: str = "mineral_mass"
    about: Path | None = None
    onset_within_days: float = 0.0
    family: str = "logistic"
    lay: str = ""
    plan: Plan | None = None
    seed: int = 0


def curve_record(request: CurveRequest, on_step: Step | None = None) -> dict[str, Any]:
    """What ``curve.json`` holds for a request.

    Raises
    ------
    InputError
        where tables cannot be used, or no curve can be fitted to them; in one sentence.
    """
    cohort = read_cohort(request.tables, request.quantity, request.about, request.onset_within_days)
    laid: Lesion | None = None
    notes: list[str] = []
    if request.lay:
        laid, cohort, notes = _laid(request, cohort)
    fit = fit_cohort(cohort, family=request.family, seed=request.seed, on_step=on_step)
    document = record.curve(fit, None if laid is None else (laid, lay(fit, laid)), notes)
    if request.plan is not None:
        document["plan"] = record.rounded(plan_study(fit, request.plan, repeats=PLAN_REPEATS, on_step=on_step))
    return document


def _laid(request: CurveRequest, cohort: Cohort) -> tuple[Lesion, Cohort, list[str]]:
    """(the case to lay, the cohort without it, what is to be said of that)."""
    own = [lesion for lesion in cohort.lesions if lesion.case == request.lay]
    if own:
        others = tuple(lesion for lesion in cohort.lesions if lesion.case != request.lay)
        return own[0], replace(cohort, lesions=others), [words.LEFT_FOR_LAYING.format(case=request.lay)]
    path = Path(request.lay)
    if not path.exists():
        raise InputError(words.LAY_ALONE.format(case=request.lay))
    lesions: Sequence[Lesion] = read_cohort([path], request.quantity, None, request.onset_within_days).lesions
    if len(lesions) != 1:
        raise InputError(words.LAY_EMPTY.format(quantity=request.quantity))
    return lesions[0], cohort, []


def summary(document: dict[str, Any]) -> str:
    """The curve in a few lines for a terminal."""
    p = document["parameters"]
    spread = p["between_lesions_sd"]
    lines = [
        f"{document['quantity']} ({document['unit']}): {document['n_scans']} scans of {document['n_lesions']} lesions "
        f"in {document['n_patients']} patients, {document['model']} rise; 95 % intervals"
    ]
    for name, row, unit in (
        ("half-rise day", p["half_rise_day"], ""),
        ("plateau", p["plateau"], document["unit"]),
        ("rate", p["rate_per_day"], "per day"),
        ("between lesions, day shift (sd)", spread["day_shift"], "days"),
        ("between lesions, log plateau (sd)", spread["log_plateau"], ""),
    ):
        lines.append(f"  {name:34s} {row['value']:.4g} ({row['low']:.4g} to {row['high']:.4g}) {unit}".rstrip())
    found = document["diagnostics"]
    lines.append(
        f"  R-hat {found['r_hat']:.3f}, {found['effective_draws']:.0f} effective draws, {found['divergent']} divergent"
    )
    if document["laid"] is not None:
        for row in document["laid"]["scans"]:
            lines.append(
                f"  {document['laid']['case']} scan {row['scan']}, day {row['day']:g}: {row['value']:.4g} "
                f"{document['unit']}, percentile {row['percentile']:.0f} of new lesions"
            )
    lines += [f"  {note}" for note in document["notes"]]
    return "\n".join(lines)
