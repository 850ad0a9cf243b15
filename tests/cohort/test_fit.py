"""The fit of a cohort: published estimates, refusals, the record against its schema, the same bytes twice."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from scipy.optimize import minimize

from mineralize import cohort
from mineralize.base import InputError
from mineralize.cohort import arrays as cohort_arrays
from phantoms import cohorts

pytest.importorskip("numpyro")
cohort_model = pytest.importorskip("mineralize.cohort.model")
pytestmark = pytest.mark.slow

BRIEF = (2, 300, 400)

ORANGE_AGES = (118, 484, 664, 1004, 1231, 1372, 1582)
ORANGE_MM = (
    (30, 58, 87, 115, 120, 142, 145),
    (33, 69, 111, 156, 172, 203, 203),
    (30, 51, 75, 108, 115, 139, 140),
    (32, 62, 112, 167, 179, 209, 214),
    (30, 49, 81, 125, 142, 174, 177),
)
"""Trunk circumference of five orange trees by days since planting: Draper and Smith, Applied Regression Analysis, 2nd
ed. 1981, p. 524, exercise 24.N; as ``Orange`` among R's data sets."""
ORANGE_NLMER = {"Asym": 192.05, "xmid": 727.90, "scal": 348.07, "sd": 31.646, "residual": 7.843}
ORANGE_NLME = {"Asym": 191.05, "xmid": 722.56, "scal": 344.16, "sd": 31.48, "residual": 7.846}
"""Published fits of a logistic rise with a random asymptote, y = (Asym + u) / (1 + exp((xmid - t) / scal)) + e: by
maximum likelihood (lme4's example of nlmer) and by alternating linearisation (Pinheiro and Bates, Mixed-Effects Models
in S and S-PLUS, 2000, chapter 8). Digits from memory; the first are found again by a closed form below."""
ORANGE_RESIDUAL_MM = 7.84


def likeliest(on_log_scale: bool) -> dict[str, float]:
    """The maximum of the likelihood, which is a closed form, since the random part enters linearly: of the published
    model, or of the same on the log scale, where error and asymptote of a tree are factors."""
    ages, values = np.array(ORANGE_AGES, float), np.array(ORANGE_MM, float)
    stated = np.array([[cohort_arrays.log_reading(v)[1] for v in tree.visits] for tree in oranges().lesions])

    def off(p: np.ndarray) -> float:
        share = 1.0 / (1.0 + np.exp((100 * p[1] - ages) / (100 * p[2])))
        spread, error = np.exp(p[3:])
        total = 0.0
        for y, sd in zip(values, stated, strict=True):
            loading = np.ones(7) if on_log_scale else share
            rest = np.log(y) - p[0] - np.log(share) if on_log_scale else y - 100 * p[0] * share
            variance = spread**2 * np.outer(loading, loading) + np.diag(
                (error * (sd if on_log_scale else np.ones(7))) ** 2
            )
            total += np.linalg.slogdet(variance)[1] + rest @ np.linalg.solve(variance, rest)
        return float(total)

    start = [5.2, 7.0, 3.5, -2.0, 0.0] if on_log_scale else [1.9, 7.0, 3.5, 3.4, 2.0]
    options = {"xatol": 1e-8, "fatol": 1e-9, "maxiter": 20_000, "maxfev": 20_000}
    p = minimize(off, start, method="Nelder-Mead", options=options).x
    top = np.exp(p[0]) if on_log_scale else 100 * p[0]
    return {"Asym": top, "xmid": 100 * p[1], "scal": 100 * p[2], "sd": np.exp(p[3]), "residual": np.exp(p[4])}


def oranges() -> cohort.Cohort:
    half = 1.96 * ORANGE_RESIDUAL_MM
    trees = (
        cohort.Lesion(
            f"tree {n}",
            f"tree {n}",
            tuple(
                cohort.Visit(k, d, v, v - half, v + half) for k, (d, v) in enumerate(zip(ORANGE_AGES, row, strict=True))
            ),
        )
        for n, row in enumerate(ORANGE_MM, 1)
    )
    return cohort.Cohort("circumference", "mm", tuple(trees))


def medians(fit: cohort.CohortFit) -> dict[str, float]:
    found = {"Asym": fit.plateau, "xmid": fit.half_rise_day, "scal": 1.0 / fit.rate_per_day}
    return {name: float(np.median(draws)) for name, draws in found.items()}


def test_orange_trees_as_published() -> None:
    """The published fit, from the closed form to the sampler; prints all five.

    Why not to the last digit. The two published fits differ by 0.5 to 1.1 % themselves, by how they take the random
    part out. Ours has errors and asymptotes as factors (a mass that doubles carries twice the error): the likeliest
    values of that model are 1.0, 1.0 and 1.4 % from the published ones. And ours is the middle of a posterior, which is
    skewed: five trees barely pin the spread between them (0.23 in the middle, 0.16 where likeliest). What the published
    model has not is taken out by the priors: no random day, no heavy tails, and wide everywhere else.
    """
    in_mm, in_log = likeliest(False), likeliest(True)
    for name, published in ORANGE_NLMER.items():
        digits = 3 if name in ("sd", "residual") else 2
        assert in_mm[name] == pytest.approx(published, abs=1.01 * 10.0**-digits), name
    plain = cohort_model.Priors(
        log_half_rise_sd=3.0, log_steepness_sd=3.0, log_plateau_sd=3.0, log_error_factor_sd=2.0, day_shift_share=0.005,
        tail_least=200.0,
    )  # fmt: skip
    fit = cohort.fit_cohort(oranges(), priors=plain, effort=cohort.Effort(4, 400, 700), checked=False)
    assert fit.diagnostics.r_hat < 1.05
    found = medians(fit)
    for name, near in (("Asym", 0.015), ("xmid", 0.015), ("scal", 0.035)):
        print(
            f"{name}: published {ORANGE_NLMER[name]} and {ORANGE_NLME[name]}, likeliest {in_mm[name]:.2f}, on the log "
            f"scale {in_log[name]:.2f}, here {found[name]:.2f}"
        )
        assert in_log[name] == pytest.approx(ORANGE_NLMER[name], rel=0.015), name
        assert found[name] == pytest.approx(ORANGE_NLMER[name], rel=near), name
        assert found[name] == pytest.approx(in_log[name], rel=0.02), name
    assert np.median(fit.draws["error_factor"]) == pytest.approx(in_log["residual"], rel=0.1)


def test_orange_trees_with_all_terms() -> None:
    """As a cohort is fitted: with a random day too, and with the priors of every day. The published values lie inside
    the intervals, and the middles within 7 %."""
    fit = cohort.fit_cohort(oranges(), checked=False)
    assert fit.diagnostics.r_hat < 1.05
    found = {"xmid": fit.half_rise_day, "Asym": fit.plateau, "scal": 1.0 / fit.rate_per_day}
    for name, draws in found.items():
        low, middle, high = np.quantile(draws, (0.025, 0.5, 0.975))
        for published in (ORANGE_NLMER[name], ORANGE_NLME[name]):
            assert low < published < high, name
            assert middle == pytest.approx(published, rel=0.07), name


def read(made: cohorts.Made, folder: Path) -> cohort.Cohort:
    table, about = cohorts.write(made, folder)
    return cohort.read_cohort([table], "mineral_mass", about)


def test_excision_onset_and_schema(tmp_path: Path) -> None:
    kind = replace(cohorts.KINDS["excised-fastest"], lesions=14, onset_within_days=10.0, lesions_per_patient=1)
    held = read(cohorts.make(kind, 1), tmp_path)
    assert 0 < sum(lesion.excised for lesion in held.lesions) < 14
    request = cohort.CurveRequest((tmp_path,), about=tmp_path / "about.csv", lay="P-002")
    first, again = cohort.curve_record(request), cohort.curve_record(request)
    assert first == again
    jsonschema.Draft202012Validator(cohort.schema()).validate(first)
    assert first["excision"]["modelled"]
    assert first["excision"]["plateau_without"] > 0
    assert first["n_lesions"] == 13
    assert "P-002" not in {row["case"] for row in first["lesions"]}
    assert [row["scan"] for row in first["laid"]["scans"]] == [v.scan for v in held.lesions[1].visits]
    for row in first["band"]:
        assert row["new_low"] < row["low"] < row["median"] < row["high"] < row["new_high"]
    half = first["parameters"]["half_rise_day"]
    at = np.interp(half["value"], [r["day"] for r in first["band"]], [r["median"] for r in first["band"]])
    assert at == pytest.approx(0.5 * first["parameters"]["plateau"]["value"], rel=0.05)


def test_a_cohort_seen_too_late_is_refused_or_wide(tmp_path: Path) -> None:
    made = cohorts.make(replace(cohorts.KINDS["late-only"], lesions=14), 0)
    held = read(made, tmp_path)
    fit = cohort.fit_cohort(held, effort=cohort.Effort(*BRIEF), checked=False)
    low, high = np.quantile(fit.half_rise_day, (0.025, 0.975))
    assert low < made.half_rise_day < high
    if high - low < 20:
        with pytest.raises(InputError, match=r"do not pin|did not converge"):
            cohort.fit_cohort(held, effort=cohort.Effort(*BRIEF))


def test_too_few_lesions_are_refused(tmp_path: Path) -> None:
    made = cohorts.make(replace(cohorts.KINDS["ordinary"], lesions=4), 0)
    with pytest.raises(InputError, match=r"4 lesions, \d of them .* at least 6"):
        cohort.fit_cohort(read(made, tmp_path))
