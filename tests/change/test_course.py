"""One case's course: known curves come back, intervals hold the truth, and what is not pinned is withheld."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import optimize

from mineralize.change import Course
from mineralize.change.course import fit_course

DAYS = np.array([10.0, 30, 50, 70, 100, 200, 300])


def rise(days: np.ndarray, half: float = 60.0, rate: float = 0.06, plateau: float = 1000.0) -> np.ndarray:
    return plateau / (1 + np.exp(-rate * (days - half)))


def parts(course: Course) -> dict[str, tuple[float | None, ...]]:
    return {p.name: (p.value, p.low, p.high) for p in course.parameters}


def test_agrees_with_generalised_least_squares_of_scipy() -> None:
    """scipy's ``curve_fit`` with a full covariance: the same estimates, on the log scale."""
    random = np.random.default_rng(4)
    covariance = np.eye(7) * 0.05**2 + 0.04**2
    values = rise(DAYS) * np.exp(random.multivariate_normal(np.zeros(7), covariance))
    course = fit_course("mineral_mass", "mg", DAYS, values, covariance)

    def log_logistic(day: np.ndarray, half: float, log_rate: float, log_plateau: float) -> np.ndarray:
        return log_plateau - np.logaddexp(0, -np.exp(log_rate) * (day - half))

    start = (80.0, math.log(0.05), math.log(values.max()))
    best, _ = optimize.curve_fit(log_logistic, DAYS, np.log(values), start, sigma=covariance)
    assert course.model == "logistic"
    found = parts(course)
    assert found["half_rise_day"][0] == pytest.approx(best[0], abs=0.1)
    assert found["rate_per_day"][0] == pytest.approx(math.exp(best[1]), rel=0.01)
    assert found["plateau"][0] == pytest.approx(math.exp(best[2]), rel=0.002)
    for at in course.band:
        assert at.value == pytest.approx(math.exp(log_logistic(np.array([at.day]), *best)[0]), rel=0.01)
        assert at.low < at.value < at.high


def test_intervals_hold_the_truth() -> None:
    """95 % intervals of 60 noisy courses; chance alone holds fewer than 52 of them once in 350 times (binomial)."""
    random = np.random.default_rng(1)
    covariance = np.eye(7) * 0.05**2 + 0.03**2
    inside = {"half_rise_day": 0, "plateau": 0, "band": 0}
    for _ in range(60):
        values = rise(DAYS) * np.exp(random.multivariate_normal(np.zeros(7), covariance))
        course = fit_course("mineral_mass", "mg", DAYS, values, covariance)
        found = parts(course)
        for name, true in (("half_rise_day", 60.0), ("plateau", 1000.0)):
            _, low, high = found[name]
            assert low is not None
            assert high is not None
            inside[name] += low <= true <= high
        at = course.band[len(course.band) // 2]
        inside["band"] += at.low <= rise(np.array([at.day]))[0] <= at.high
    assert min(inside.values()) >= 52, inside


def test_common_error_widens_the_plateau_and_not_the_half_rise() -> None:
    own = np.eye(7) * 0.04**2
    alone = parts(fit_course("mineral_mass", "mg", DAYS, rise(DAYS), own))
    common = parts(fit_course("mineral_mass", "mg", DAYS, rise(DAYS), own + 0.2**2))

    def width(row: tuple[float | None, ...]) -> float:
        assert row[1] is not None
        assert row[2] is not None
        return row[2] - row[1]

    assert width(common["half_rise_day"]) == pytest.approx(width(alone["half_rise_day"]), rel=0.05)
    assert width(common["plateau"]) > 3 * width(alone["plateau"])


def test_a_gompertz_rise_is_told_from_a_logistic_one() -> None:
    values = 1000 * np.exp(-math.log(2) * np.exp(-0.03 * (DAYS - 60)))
    course = fit_course("mineral_mass", "mg", DAYS, values, np.eye(7) * 0.03**2)
    assert course.model == "gompertz"
    assert parts(course)["half_rise_day"][0] == pytest.approx(60, abs=0.5)


def test_a_shrinking_volume_and_one_that_rose_before() -> None:
    falling = 5000 * (1 + 1.5 * np.exp(-math.log(2) * (DAYS - DAYS[0]) / 40))
    course = fit_course("lesion_volume", "mm3", DAYS, falling, np.eye(7) * 0.03**2)
    assert course.model == "decay"
    assert parts(course)["decay_half_life_days"][0] == pytest.approx(40, rel=0.05)
    assert parts(course)["plateau"][0] == pytest.approx(5000, rel=0.02)
    days = np.array([5.0, 10, 15, 20, 30, 45, 70, 100, 150, 220, 300])
    both = 3000 / (1 + np.exp(-0.3 * (days - 12))) * (1 + 2 * np.exp(-math.log(2) * (days - 5) / 50))
    found = fit_course("lesion_volume", "mm3", days, both, np.eye(11) * 0.03**2)
    assert found.model == "rise then decay"
    assert parts(found)["half_rise_day"][0] == pytest.approx(12, abs=1.5)


@pytest.mark.parametrize(
    ("days", "values", "reason"),
    [
        ((10, 60, 200), (100, 600, 1000), "3 scans give a value: the change only"),
        ((150, 200, 250, 300), (1000, 1010, 990, 1005), "a constant explains"),
        ((10, 30, 60, 90, 200), (100, 900, 90, 1000, 80), "no curve goes|a constant explains"),
        ((10, 10, 30, 60), (100, 100, 500, 900), "different days"),
        ((10, 20, 60, 90), (0, 100, 500, 900), "zero or less"),
    ],
)
def test_refused_with_a_reason(days: tuple[float, ...], values: tuple[float, ...], reason: str) -> None:
    n = len(days)
    course = fit_course("mineral_mass", "mg", np.array(days, float), np.array(values, float), np.eye(n) * 0.05**2)
    assert course.model == ""
    assert course.band == ()
    assert any(part in course.reason for part in reason.split("|")), course.reason


def test_what_the_scans_do_not_pin_is_withheld_and_the_rest_given() -> None:
    """Scans that all lie early see growth by 6 % a day, and neither when it is half over nor where it ends."""
    days = np.array([10.0, 20, 30, 40])
    course = fit_course("mineral_mass", "mg", days, 10 * np.exp(0.06 * (days - 10)), np.eye(4) * 0.05**2)
    found = {p.name: p for p in course.parameters}
    for name in ("half_rise_day", "plateau"):
        assert found[name].value is None
        assert "no late scan shows" in found[name].reason
    low, high = found["rate_per_day"].low, found["rate_per_day"].high
    assert low is not None
    assert high is not None
    assert low - 0.001 < 0.06 < high


def test_a_rise_between_two_scans_is_wide() -> None:
    """One scan before and none during the rise: it may be half over anywhere between, and the interval says so."""
    days = np.array([20.0, 150, 200, 250, 300])
    course = fit_course("mineral_mass", "mg", days, rise(days, 60, 0.1), np.eye(5) * 0.05**2)
    found = {p.name: p for p in course.parameters}
    low, high = found["half_rise_day"].low, found["half_rise_day"].high
    assert low is None or (high is not None and low < 60 < high and high - low > 40)
    assert found["plateau"].low is not None
    assert found["plateau"].low < 1000 < (found["plateau"].high or 0)
