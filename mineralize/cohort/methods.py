"""``methods.txt``: what a paper has to say of how the curve was made, from the record alone."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from typing import Any

from . import words

WIDTH = 100
CURVES = {
    "logistic": "P / (1 + exp(-k (t - h)))",
    "gompertz": "P exp(-ln 2 exp(-k (t - h)))",
}


def methods(document: Mapping[str, Any]) -> str:
    """Numbers of patients, lesions and scans, model, priors, checks, software, and what is asked of a report."""
    parts = [_data(document), _model(document), _priors(document), _fitting(document), _results(document)]
    if document["excision"]["lesions"]:
        parts.append(("Visits that end by excision", _excision(document)))
    if document["notes"]:
        parts.append(("Left out", " ".join(f"{note}." for note in document["notes"])))
    parts += [("Assumptions to discuss", _assumptions(document)), ("Reporting", _REPORTING), ("", words.DISCLAIMER)]
    blocks = []
    for title, text in parts:
        body = "\n".join(textwrap.wrap(text, WIDTH))
        blocks.append(f"{title}\n{'-' * len(title)}\n{body}\n" if title else f"{body}\n")
    return "\n".join(blocks)


def said(row: Mapping[str, Any], digits: int = 3) -> str:
    """A value with its interval, as plain numbers."""
    return f"{plain(row['value'], digits)} (95 % interval {plain(row['low'], digits)} to {plain(row['high'], digits)})"


def plain(value: float, digits: int = 3) -> str:
    """A number with some significant digits and no exponent."""
    return f"{float(f'{value:.{digits}g}'):.12g}"


def _data(d: Mapping[str, Any]) -> tuple[str, str]:
    text = (
        f"{d['n_scans']} scans of {d['n_lesions']} lesions in {d['n_patients']} patients. Quantity: {d['quantity']} "
        f"({d['unit']}), with the 95 % interval that each measurement states; a value given with caution counts with "
        f"twice its interval. Days count from the onset. {d['below_floor']} values below {plain(d['floor'])} "
        f"{d['unit']} (5 % of a typical lesion's highest) count only as lying below it."
    )
    return "Data", text


def _model(d: Mapping[str, Any]) -> tuple[str, str]:
    own = "log plateau and day shift of a lesion are random, independent, with Student's t distribution"
    nested = " and a part in common among lesions of one patient" if d["n_patients"] < d["n_lesions"] else ""
    covariates = ", ".join(d["acquisition"]) or "none that differs between the scans"
    text = (
        f"Non-linear mixed-effects model on the log scale; course of a lesion: {CURVES[d['model']]}, t the day less "
        f"the lesion's day shift, h the half-rise day and k the rate, both common to all lesions, P its plateau. "
        f"The {own}{nested}. Measurement error: normal, with the standard deviation that the interval states times one "
        f"estimated factor. An uncertain onset enters as an error of the day. Acquisition as fixed effects: "
        f"{covariates}."
    )
    return "Model", text


def _priors(d: Mapping[str, Any]) -> tuple[str, str]:
    p, centre = d["priors"], d["prior_centres"]
    text = (
        f"Log half-rise day: normal around the log of the median day ({plain(centre['day'])}), standard deviation "
        f"{p['log_half_rise_sd']:g}. Log of rate times median day: normal around log {p['steepness']:g}, "
        f"{p['log_steepness_sd']:g}. Log plateau: normal around the median of the lesions' highest values "
        f"({plain(centre['plateau'])} {d['unit']}), {p['log_plateau_sd']:g}. Spread of day shifts: half-normal, "
        f"{p['day_shift_share']:g} times the median day; of log plateaus: half-normal, {p['log_plateau_spread']:g}. "
        f"Degrees of freedom: {p['tail_least']:g} plus gamma(2, {p['tail_rate']:g}). Log error factor: normal, "
        f"{p['log_error_factor_sd']:g}. Effects of acquisition: normal, {p['covariate_sd']:g} per unit. A fit is "
        "refused where the data leave more than half of the prior's standard deviation of half-rise day, "
        "rate or plateau."
    )
    return "Priors", text


def _fitting(d: Mapping[str, Any]) -> tuple[str, str]:
    found, made = d["diagnostics"], d["software"]
    software = ", ".join(f"{name} {version}" for name, version in made.items())
    text = (
        f"No-U-turn sampling, four chains, {found['draws']} draws kept, random seed {d['random_seed']}. Largest R-hat "
        f"{found['r_hat']:.3f}, least effective sample size {found['effective_draws']:.0f}, {found['divergent']} "
        f"divergent draws. Software: {software}."
    )
    return "Fitting", text


def _results(d: Mapping[str, Any]) -> tuple[str, str]:
    p, unit = d["parameters"], d["unit"]
    spread = p["between_lesions_sd"]
    text = (
        f"Half-rise day {said(p['half_rise_day'])}; plateau {said(p['plateau'])} {unit}; "
        f"rate {said(p['rate_per_day'])} per day. Standard deviation between lesions: day shift "
        f"{said(spread['day_shift'])} days, log plateau {said(spread['log_plateau'])}. "
        f"Factor on stated errors {said(d['error_factor'])}."
    )
    for name, row in d["acquisition"].items():
        text += f" Effect of {name} on the log value: {said(row)} {row['unit']}."
    return "Results", text


def _excision(d: Mapping[str, Any]) -> str:
    held, p = d["excision"], d["parameters"]
    if not held["modelled"]:
        return f"{words.EXCISED_ALL}."
    return (
        words.EXCISION.format(
            n=held["lesions"],
            half=held["half_rise_day_without"],
            half_with=p["half_rise_day"]["value"],
            plateau=held["plateau_without"],
            plateau_with=p["plateau"]["value"],
            unit=d["unit"],
        )
        + ". Shared-parameter model (Wu and Carroll 1988)."
    )


def _assumptions(d: Mapping[str, Any]) -> str:
    return (
        f"{words.NO_CORRELATION.format(value=d['shift_plateau_correlation']['value'])}. All lesions share one rate. No "
        "lesion falls again after its rise. Errors of scans of one lesion are independent but for what all its scans "
        "have in common, which goes into its plateau."
    )


_REPORTING = (
    "State numbers of patients, lesions and scans, intervals and assumptions, as above; for an observational cohort "
    "follow STROBE, for quantitative image features CLEAR; name missing visits and why they are missing. With few "
    "lesions report the values and their precision only, no model."
)
