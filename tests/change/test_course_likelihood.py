"""The fitted course against a second implementation: scipy's optimisers on the same likelihood, no grid."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from scipy import optimize, stats

from mineralize.change import Course
from mineralize.change.course import fit_course

DAYS = np.array([10.0, 30, 50, 70, 100, 200, 300])
COVARIANCE = np.eye(7) * 0.06**2 + 0.05**2
NOISY = 1000 / (1 + np.exp(-0.06 * (DAYS - 60))) * np.exp(np.array([0.05, -0.06, 0.03, 0.04, -0.05, 0.02, -0.03]))


def log_logistic(day: Any, p: Any) -> Any:
    """log plateau, half-rise day, log rate."""
    return p[0] - np.logaddexp(0, -np.exp(p[2]) * (day - p[1]))


def misfit(p: Any, values: Any = NOISY, covariance: Any = COVARIANCE, days: Any = DAYS) -> float:
    off = np.log(values) - log_logistic(days, p)
    return float(off @ np.linalg.solve(covariance, off))


def ends(what: Callable[[Any], float]) -> tuple[float, float, float]:
    """A figure at the best fit, and its least and largest where the misfit exceeds the best by 3.841 at most."""
    start = np.array([math.log(1000), 60.0, math.log(0.06)])
    best = optimize.minimize(misfit, start, method="Nelder-Mead", options={"xatol": 1e-7, "fatol": 1e-9})

    def limit(p: Any) -> float:
        return best.fun + 3.841 - misfit(p)

    scale = np.array([1.0, 60.0, 1.0])
    around = [(v / s - w, v / s + w) for v, s, w in zip(best.x, scale, (0.6, 0.3, 0.6), strict=True)]
    found = []
    for sign in (1.0, -1.0):
        tried = [
            optimize.minimize(
                lambda q, sign=sign: sign * what(q * scale), (best.x + np.array([0, off, 0])) / scale, method="SLSQP",
                constraints={"type": "ineq", "fun": lambda q: limit(q * scale)}, bounds=around,
                options={"maxiter": 300},
            )
            for off in (0.5, -0.5)
        ]  # fmt: skip
        found.append(sign * min(t.fun for t in tried))
    return what(best.x), found[0], found[1]


@pytest.fixture(scope="module")
def course() -> Course:
    return fit_course("mineral_mass", "mg", DAYS, NOISY, COVARIANCE)


@pytest.mark.parametrize(
    ("name", "what", "tolerance"),
    [
        ("half_rise_day", lambda p: p[1], 0.25),
        ("rate_per_day", lambda p: math.exp(p[2]), 0.0006),
        ("plateau", lambda p: math.exp(p[0]), 4.0),
    ],
)
def test_parameters_have_the_intervals_of_the_profile_likelihood(
    course: Course, name: str, what: Callable[[Any], float], tolerance: float
) -> None:
    """Venzon and Moolgavkar (1988): all values whose best misfit exceeds the least by 3.841 at most."""
    assert course.model == "logistic"
    found = next(p for p in course.parameters if p.name == name)
    value, low, high = ends(what)
    assert found.value == pytest.approx(value, abs=tolerance)
    assert found.low == pytest.approx(low, abs=tolerance)
    assert found.high == pytest.approx(high, abs=tolerance)
    assert found.unit == {"half_rise_day": "d", "rate_per_day": "/d", "plateau": "mg"}[name]


@pytest.mark.parametrize("k", [0, 6, 20, 48])
def test_the_band_is_that_of_the_profile_likelihood(course: Course, k: int) -> None:
    at = course.band[k]
    assert at.day == pytest.approx(10 + 290 * k / 48)
    value, low, high = ends(lambda p: log_logistic(at.day, p))
    assert at.value == pytest.approx(math.exp(value), rel=0.004)
    assert at.low == pytest.approx(math.exp(low), rel=0.012)
    assert at.high == pytest.approx(math.exp(high), rel=0.012)
    assert len(course.band) == 49


def test_curves_are_compared_by_akaikes_corrected_criterion(course: Course) -> None:
    """chi2 + 2 k + 2 k (k + 1) / (n - k - 1), the plateau among the k (Hurvich and Tsai 1989); a constant by hand."""
    compared = dict(course.compared)
    assert list(compared) == ["constant", "logistic", "gompertz"]
    weight = np.linalg.inv(COVARIANCE)
    mean = (weight @ np.log(NOISY)).sum() / weight.sum()
    off = np.log(NOISY) - mean
    assert compared["constant"] == pytest.approx(off @ weight @ off + 2 + 4 / 5)
    best = optimize.minimize(misfit, [math.log(1000), 60.0, math.log(0.06)], method="Nelder-Mead")
    assert compared["logistic"] == pytest.approx(best.fun + 6 + 24 / 3, abs=0.01)


def test_the_criterion_needs_two_scans_more_than_parameters() -> None:
    """Three parameters and four scans: none; five: 2 k (k + 1) / 1 = 24."""
    four = fit_course("mineral_mass", "mg", DAYS[:4], NOISY[:4], np.eye(4) * 0.05**2)
    assert dict(four.compared)["logistic"] is None
    assert dict(four.compared)["constant"] is not None
    five = fit_course("mineral_mass", "mg", DAYS[:5], NOISY[:5], np.eye(5) * 0.05**2)
    assert dict(five.compared)["logistic"] == pytest.approx(6 + 24, abs=8)


@pytest.mark.parametrize(("step", "model"), [(0.118, ""), (0.126, "logistic")])
def test_at_four_scans_a_curve_must_beat_a_constant_by_the_likelihood_ratio(step: float, model: str) -> None:
    """Two low, two high, s = 0.1 each: the constant's misfit is step^2 / s^2 of two pairs, 5.991 where step = 0.1224.

    With two parameters more a curve goes through both levels: 95 % point of chi-square with two degrees of freedom.
    """
    assert stats.chi2.ppf(0.95, 2) == pytest.approx(5.991, abs=1e-3)
    days = np.array([10.0, 12, 200, 202])
    values = np.exp(np.array([0.0, 0.0, 2 * step, 2 * step]))
    found = fit_course("mineral_mass", "mg", days, values, np.eye(4) * 0.1**2)
    assert dict(found.compared)["constant"] == pytest.approx(4 * step**2 / 0.01 + 2 + 4 / 2)
    # What scans in two bunches do not pin is withheld; whether a curve is taken at all is what is asked here.
    assert ("a constant explains" in found.reason) == (model == "")


@pytest.mark.parametrize(("scatter", "kept"), [(0.0, True), (3.4, True), (4.6, False)])
def test_no_curve_is_shown_that_goes_through_its_scans_once_in_a_thousand(scatter: float, kept: bool) -> None:
    """Late scans that alternate about their plateau: the misfit is about n times the square of the scatter."""
    days = np.concatenate([DAYS, [400.0, 500, 600, 700]])
    wave = np.concatenate([np.zeros(5), np.tile([1.0, -1.0], 3)])
    values = 1000 / (1 + np.exp(-0.06 * (days - 60))) * np.exp(0.02 * scatter / 2 * wave)
    found = fit_course("mineral_mass", "mg", days, values, np.eye(11) * 0.02**2)
    chance = stats.chi2.sf(6 * (scatter / 2) ** 2, 8)
    assert (chance > 0.001) == kept
    assert (found.model != "") == kept
    assert kept or "no curve goes through" in found.reason


def test_two_scans_of_one_day_are_two_scans() -> None:
    """Where four other days are left, and like one whose error is smaller by the root of two."""
    twice = np.array([10.0, 30, 30, 50, 70, 100, 200, 300])
    values = np.insert(NOISY, 1, NOISY[1])
    found = fit_course("mineral_mass", "mg", twice, values, np.eye(8) * 0.06**2)
    covariance = np.eye(7) * 0.06**2
    covariance[1, 1] /= 2
    once = fit_course("mineral_mass", "mg", DAYS, NOISY, covariance)
    assert found.model == once.model == "logistic"
    for a, b in zip(found.parameters, once.parameters, strict=True):
        assert (a.value, a.low, a.high) == pytest.approx((b.value, b.low, b.high), rel=1e-3)


def test_a_rise_that_no_late_scan_ends_says_which_scan_is_missing() -> None:
    days = np.array([10.0, 25, 40, 55, 70, 85])
    found = fit_course("mineral_mass", "mg", days, 10 * np.exp(0.05 * (days - 10)), np.eye(6) * 0.05**2)
    half = next(p for p in found.parameters if p.name == "half_rise_day")
    assert (half.value, half.reason) == (None, "no late scan shows that the rise has ended")


def test_a_slow_rise_may_have_begun_before_the_first_scan() -> None:
    days = np.array([100.0, 110, 140, 200, 300, 400])
    found = fit_course("mineral_mass", "mg", days, 1000 / (1 + 0.25 * 2 ** (-(days - 100) / 40)), np.eye(6) * 0.04**2)
    half = next(p for p in found.parameters if p.name == "half_rise_day")
    assert half.value is None or half.low < 100.0  # type: ignore[operator]
    assert half.value is not None or half.reason == "it may lie before the first scan"


def test_a_fall_whose_end_no_scan_shows_has_no_plateau() -> None:
    days = np.array([0.0, 20, 40, 60, 80])
    found = fit_course("lesion_volume", "mm3", days, 9000 * np.exp(-days / 60), np.eye(5) * 0.02**2)
    parts = {p.name: p for p in found.parameters}
    open_ = [p.reason for p in parts.values() if p.value is None]
    assert "no late scan shows where it ends" in open_ or "no late scan shows that the fall has ended" in open_


def test_a_fall_comes_back_with_its_half_life_and_excess() -> None:
    """V = V0 (1 + e 2^(-t / T)): both parameters, by scipy's curve_fit."""
    days = np.array([0.0, 15, 30, 60, 120, 200, 300])
    values = 5000 * (1 + 1.5 * 2 ** (-days / 40)) * np.exp([0.01, -0.015, 0.01, -0.005, 0.01, -0.01, 0.005])

    def log_decay(day: Any, log_v: float, log_e: float, log_t: float) -> Any:
        return log_v + np.log1p(np.exp(log_e) * 2 ** (-day / np.exp(log_t)))

    best, _ = optimize.curve_fit(log_decay, days, np.log(values), (8.0, 0.3, 3.5), sigma=np.full(7, 0.02))
    found = {p.name: p for p in fit_course("lesion_volume", "mm3", days, values, np.eye(7) * 0.02**2).parameters}
    assert found["plateau"].value == pytest.approx(math.exp(best[0]), rel=0.003)
    assert found["excess_at_first_scan"].value == pytest.approx(math.exp(best[1]), rel=0.01)
    assert found["decay_half_life_days"].value == pytest.approx(math.exp(best[2]), rel=0.01)
    assert found["excess_at_first_scan"].low < 1.5 < found["excess_at_first_scan"].high  # type: ignore[operator]
    assert (found["excess_at_first_scan"].unit, found["decay_half_life_days"].unit) == ("1", "d")


def test_four_parameters_are_not_tried_on_few_scans() -> None:
    days = np.array([0.0, 20, 40, 80, 120, 200])
    few = fit_course("lesion_volume", "mm3", days, 5000 + 10 * days, np.eye(6) * 0.02**2)
    assert [name for name, _ in few.compared] == ["constant", "decay", "logistic"]
    more = fit_course("lesion_volume", "mm3", np.append(days, 300.0), np.append(5000 + 10 * days, 8000.0),
                      np.eye(7) * 0.02**2)  # fmt: skip
    assert [name for name, _ in more.compared][-1] == "rise then decay"
