"""``curve.json``: everything that page, figure and text say, for other programs; its schema lies beside this file."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from importlib import metadata, resources
from typing import Any

import numpy as np

from .arrays import COVARIATE_UNITS, COVARIATES, FLOOR_SHARE
from .band import BandRow, Laid, curve_band
from .fit import CohortFit, interval
from .model import described
from .predict import QUANTILES, predictive_check, residuals
from .visits import Lesion

SCHEMA = "mineralize-curve-1"
DIGITS = 6


def curve(
    fit: CohortFit, laid: tuple[Lesion, Sequence[Laid]] | None = None, notes: Sequence[str] = ()
) -> dict[str, Any]:
    """The record of a fit, and of a case laid over it."""
    cohort, spreads = fit.cohort, fit.spreads
    document = {
        "schema": SCHEMA,
        "quantity": cohort.quantity,
        "unit": cohort.unit,
        "n_patients": cohort.n_patients,
        "n_lesions": len(cohort.lesions),
        "n_scans": cohort.n_scans,
        "model": fit.family,
        "parameters": {
            "half_rise_day": _shown(fit.half_rise_day),
            "plateau": _shown(fit.plateau),
            "rate_per_day": _shown(fit.rate_per_day),
            "between_lesions_sd": {"day_shift": _shown(spreads[:, 0]), "log_plateau": _shown(spreads[:, 1])},
        },
        "error_factor": _shown(fit.draws["error_factor"]),
        "tail_freedom": _shown(fit.draws["tail_freedom"]),
        "shift_plateau_correlation": _correlation(fit),
        "acquisition": {
            name: {**_shown(fit.draws["slopes"][:, k]), "unit": COVARIATE_UNITS[k]}
            for k, name in enumerate(COVARIATES)
            if name in fit.arrays.used_covariates
        },
        "excision": _excision(fit),
        "diagnostics": asdict(fit.diagnostics),
        "floor": float(np.exp(fit.arrays.scales.log_plateau)) * FLOOR_SHARE,
        "below_floor": int((fit.arrays.below & fit.arrays.seen).sum()),
        "priors": described(fit.priors),
        "prior_centres": {"day": fit.arrays.scales.day, "plateau": float(np.exp(fit.arrays.scales.log_plateau))},
        "band": [_band_row(row) for row in curve_band(fit)],
        "lesions": _lesions(fit),
        "visits": _visits(fit),
        "residuals": _residuals(fit),
        "predictive_check": {"quantiles": list(QUANTILES), "bins": [asdict(held) for held in predictive_check(fit)]},
        "laid": None if laid is None else _laid(*laid),
        "notes": [*cohort.notes, *notes],
        "random_seed": fit.seed,
        "software": versions(),
    }
    held: dict[str, Any] = rounded(document)
    return held


def schema() -> dict[str, Any]:
    """The JSON Schema of :func:`curve`."""
    text = resources.files(__package__).joinpath("curve.schema.json").read_text(encoding="utf-8")
    loaded: dict[str, Any] = json.loads(text)
    return loaded


def dumps(document: Mapping[str, Any]) -> str:
    """The record as text, the same on every run."""
    return json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def versions() -> dict[str, str]:
    """The programs that made a fit, with their versions."""
    return {name: metadata.version(name) for name in ("mineralize", "numpyro", "jax", "numpy")}


def _shown(draws: Any) -> dict[str, float]:
    return asdict(interval(draws))


def _band_row(row: BandRow) -> dict[str, float]:
    return asdict(row)


def _lesions(fit: CohortFit) -> list[dict[str, Any]]:
    day, levels = fit.arrays.scales.day, fit.draws["level"][:, None] + fit.draws["lift"]
    plateau = np.exp(fit.arrays.scales.log_plateau + levels)
    return [
        {
            "case": lesion.case,
            "day_shift": _shown(day * fit.draws["shift"][:, i]),
            "plateau": _shown(plateau[:, i]),
            "scans": len(lesion.visits),
            "excised": lesion.excised,
        }
        for i, lesion in enumerate(fit.cohort.lesions)
    ]


def _visits(fit: CohortFit) -> list[dict[str, Any]]:
    names = ("scan", "day", "value", "low", "high", "trust")
    return [
        {"case": lesion.case, **{name: getattr(visit, name) for name in names}}
        for lesion in fit.cohort.lesions
        for visit in lesion.visits
    ]


def _residuals(fit: CohortFit) -> list[dict[str, float]]:
    return [
        {"day": float(day), "fitted": float(fitted), "standardised": float(off)}
        for day, fitted, off in zip(*residuals(fit), strict=True)
    ]


def _correlation(fit: CohortFit) -> dict[str, float]:
    """Correlation of the lesions' day shifts and log plateaus."""
    known = fit.arrays.known
    shift, lift = fit.draws["shift"][:, known], fit.draws["lift"][:, known]
    shift, lift = shift - shift.mean(1, keepdims=True), lift - lift.mean(1, keepdims=True)
    norm = np.sqrt((shift**2).sum(1) * (lift**2).sum(1))
    return _shown((shift * lift).sum(1) / np.maximum(norm, 1e-12))


def _excision(fit: CohortFit) -> dict[str, Any]:
    weights = fit.draws.values.get("u_excision")
    return {
        "lesions": sum(lesion.excised for lesion in fit.cohort.lesions),
        "modelled": weights is not None,
        "half_rise_day_without": None if fit.without_ends is None else fit.without_ends[0],
        "plateau_without": None if fit.without_ends is None else fit.without_ends[1],
    }


def _laid(lesion: Lesion, rows: Sequence[Laid]) -> dict[str, Any]:
    return {
        "case": lesion.case,
        "onset_within_days": lesion.onset_within_days,
        "scans": [
            {**asdict(row), "value_low": visit.low, "value_high": visit.high}
            for row, visit in zip(rows, lesion.visits, strict=True)
        ],
    }


def rounded(held: Any) -> Any:
    """Every number with so many digits; what is not finite becomes ``None``."""
    if isinstance(held, float):
        return float(f"{held:.{DIGITS}g}") if np.isfinite(held) else None
    if isinstance(held, dict):
        return {key: rounded(value) for key, value in held.items()}
    if isinstance(held, list | tuple):
        return [rounded(value) for value in held]
    return held
