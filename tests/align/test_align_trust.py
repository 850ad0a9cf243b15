"""What an alignment's verdict rests on, part by part: closed forms, and least squares by numpy."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mineralize.align import trust
from mineralize.align.refine import Samples
from mineralize.align.trust import Evidence, as_pairs, fit_sd_at, free_scale, judge, patch_mismatch, refits
from mineralize.base import AlignSettings, Rigid

SETTINGS = AlignSettings()
UP = np.array([0.0, 0.0, 1.0])
GOOD = Evidence(
    fit_sd=0.03, jackknife_sd=0.04, turn_sd=0.02, slide_sd=0.03, halves=0.05, surface_gap=0.1, patch=0.03,
    correlation=0.995, unexplained=0.01, overlap_mm=120.0, overlap=0.9, runner_up=20.0, scale=0.0, scale_sd=0.001,
    soft_tissue=0.9,
)  # fmt: skip
SMALL = st.floats(0.001, 0.1)


@given(st.lists(SMALL, min_size=6, max_size=6), st.lists(st.floats(-60, 60), min_size=3, max_size=3))
def test_the_error_at_the_lesion_of_independent_turns_and_shifts(sd: list[float], arm: list[float]) -> None:
    """Closed form: a turn about an axis moves a point by its distance from that axis; variances add.

    Three times the error of independent samples (a factor of the module, calibrated on simulated pairs).
    """
    a, b, c, d, e, f = sd
    x, y, z = arm
    pivot = np.array([5.0, -7.0, 11.0])
    fit: Any = SimpleNamespace(covariance=np.diag(np.square(sd)), pivot=pivot)
    total, turn, slide = fit_sd_at(fit, pivot + arm, UP)
    turned = a**2 * (y**2 + z**2) + b**2 * (x**2 + z**2) + c**2 * (x**2 + y**2)
    assert total == pytest.approx(3.0 * np.sqrt(turned + d**2 + e**2 + f**2))
    assert turn == pytest.approx(3.0 * c * np.hypot(x, y), abs=1e-7)
    assert slide == pytest.approx(3.0 * f)


@given(SMALL, SMALL, SMALL)
def test_what_is_predicted_is_the_larger_estimate_and_what_neither_sees(fit: float, jack: float, model: float) -> None:
    found = Evidence(fit_sd=fit, jackknife_sd=jack, model_sd=model).predicted_sd
    assert found == pytest.approx(np.sqrt(max(fit, jack) ** 2 + model**2))
    assert Evidence(fit_sd=fit, model_sd=model).predicted_sd == pytest.approx(np.hypot(fit, model))


def slabs(count: int, each: int = 30) -> Samples:
    """Samples 10 mm apart along z, from 3 mm into their slab; ``value`` is the number of the slab."""
    slab = np.repeat(np.arange(count), each)
    world = np.stack([0 * slab, 0 * slab, 10.0 * slab + np.tile(np.linspace(0, 5, each), count)], axis=1).astype(float)
    return Samples(world, slab.astype(float), np.ones((len(slab), 3)), np.arange(len(slab)))


def scripted(values: np.ndarray, turn: float, slide: float) -> Any:
    """A fit that follows the mean of values by slab: it turns about and slides along z in proportion to it."""

    def fit(samples: Samples, moving: Any, pose: Rigid, **how: Any) -> Any:
        mean = float(values[samples.value.astype(int)].mean())
        found = Rigid.from_vectors((0, 0, turn * mean), (0, 0, slide * mean), (0, 0, 45.0))
        return SimpleNamespace(pose=pose @ found, overlap=1.0)

    return fit


def test_refits_are_the_jackknife_of_groups_of_slabs(monkeypatch: pytest.MonkeyPatch) -> None:
    """Delete-a-group (Kott 2001): (g - 1) / g times the sum of squared deviations; for a mean in closed form."""
    values = np.random.default_rng(4).normal(size=16)
    samples = slabs(16)
    fit: Any = SimpleNamespace(pose=Rigid.from_vectors((0, 0, 1.0), (3.0, 2.0, 1.0)), pivot=np.array([0.0, 0.0, 45.0]))
    lesion = np.array([30.0, 40.0, 45.0])
    group = np.arange(16) % 8
    left = np.array([values[group != g].mean() for g in range(8)])
    expected = np.sqrt(7 / 8 * ((left - left.mean()) ** 2).sum())
    apart = abs(values[::2].mean() - values[1::2].mean())
    monkeypatch.setattr(trust, "fit_grey", scripted(values, 0.0, 0.2))
    sd, turn, slide, halves = refits(samples, None, fit, lesion, UP)  # type: ignore[arg-type]
    assert (sd, turn, slide) == pytest.approx((0.2 * expected, 0.0, 0.2 * expected), abs=1e-9)
    assert halves == pytest.approx(0.2 * apart)
    monkeypatch.setattr(trust, "fit_grey", scripted(values, 0.002, 0.0))
    sd, turn, slide, halves = refits(samples, None, fit, lesion, UP)  # type: ignore[arg-type]
    assert turn == pytest.approx(0.002 * 50.0 * expected, rel=1e-4)  # the lesion lies 50 mm from the axis
    assert (sd, slide) == (pytest.approx(turn, rel=1e-3), pytest.approx(0.0, abs=1e-9))
    assert halves == pytest.approx(0.002 * 50.0 * apart, rel=1e-3)


def test_refits_of_few_slabs_leave_out_one_each_and_of_two_tell_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    fit: Any = SimpleNamespace(pose=Rigid.identity(), pivot=np.zeros(3))
    values = np.array([1.0, 5.0, 3.0])
    monkeypatch.setattr(trust, "fit_grey", scripted(values, 0.0, 1.0))
    found = refits(slabs(3), None, fit, np.zeros(3), UP)  # type: ignore[arg-type]
    # Leaving out one of n: the standard error of a mean, s / sqrt(n).
    assert found[0] == pytest.approx(values.std(ddof=1) / np.sqrt(3))
    assert np.isnan(refits(slabs(2), None, fit, np.zeros(3), UP)).all()  # type: ignore[arg-type]
    lost = SimpleNamespace(pose=Rigid.identity(), overlap=0)
    monkeypatch.setattr(trust, "fit_grey", lambda *_, **__: lost)
    assert np.isnan(refits(slabs(9), None, fit, np.zeros(3), UP)).all()  # type: ignore[arg-type]


def grown(count: int, noise: float, size: float = 0.02) -> tuple[Samples, Any, np.ndarray]:
    """Samples of a scan whose residuals are those of another that is larger by ``size``, of other gain and offset."""
    rng = np.random.default_rng(8)
    world = rng.uniform(-40, 40, (count, 3)) + 70.0
    value, gradient = rng.normal(200.0, 90.0, count), rng.normal(size=(count, 3)) * 60.0
    arm = world - 70.0
    residual = size * (arm * gradient).sum(axis=1) + 0.04 * value - 7.0 + noise * rng.normal(size=count)
    weight = rng.uniform(0.2, 1.0, count)
    fit = SimpleNamespace(pivot=np.full(3, 70.0), residual=residual, weight=weight)
    return Samples(world, value, gradient, np.arange(count)), fit, arm


def test_another_size_comes_out_of_the_residuals() -> None:
    samples, fit, _ = grown(400, 0.0)
    spoilt = np.arange(400) % 5 == 0
    fit.residual[spoilt & (np.arange(400) % 2 == 0)] = np.nan  # outside the other scan
    fit.weight[spoilt] = 0.0
    assert free_scale(samples, fit)[0] == pytest.approx(0.02)


def test_the_error_of_a_size_is_that_of_weighted_least_squares() -> None:
    """numpy: covariance of nine unknowns by the weighted residuals, times three (see the module)."""
    samples, fit, arm = grown(300, 25.0, size=0.0)
    rows = np.column_stack([
        np.cross(arm, samples.gradient), samples.gradient, (arm * samples.gradient).sum(axis=1), samples.value,
        np.ones(300),
    ])  # fmt: skip
    normal = rows.T @ (fit.weight[:, None] * rows)
    expected = np.linalg.solve(normal, rows.T @ (fit.weight * fit.residual))[6]
    variance = (fit.weight * fit.residual**2).sum() / (fit.weight.sum() - 9)
    found, sd = free_scale(samples, fit)
    assert found == pytest.approx(expected)
    assert sd == pytest.approx(3.0 * np.sqrt(np.linalg.inv(normal)[6, 6] * variance))


def test_too_few_samples_tell_no_size() -> None:
    assert np.isnan(free_scale(*grown(49, 0.0)[:2])).all()
    assert free_scale(*grown(50, 0.0)[:2])[0] == pytest.approx(0.02)


def test_patches_of_known_means() -> None:
    """Means of +a and -a in as many patches of 12 mm have a standard deviation of a; few points make no patch."""
    corner = np.array([[12.0 * k + 2.0, 3.0, 4.0] for k in range(6)])
    spread = np.random.default_rng(1).uniform(0, 8, (6, 8, 3))
    points = (corner[:, None, :] + spread).reshape(-1, 3)
    distance = np.repeat([0.3, -0.3, 0.3, -0.3, 0.3, -0.3], 8) + 5.0
    lost = np.concatenate([points, [[500.0, 0.0, 0.0]] * 7, [[100.0, 0.0, 0.0]] * 9])
    of_lost = np.concatenate([distance, [90.0] * 7, [np.nan] * 9])  # seven in one patch, nine without a partner
    assert patch_mismatch(lost, of_lost) == pytest.approx(0.3)
    assert np.isnan(patch_mismatch(points[:24], distance[:24])), "fewer than 50 points"
    three = np.concatenate([points[:24]] * 3)
    assert np.isnan(patch_mismatch(three, np.tile(distance[:24], 3))), "fewer than four patches"
    four = np.concatenate([points[:32]] * 2)
    assert patch_mismatch(four, np.tile(distance[:32], 2)) == pytest.approx(0.3)
    assert patch_mismatch(four[:50], np.tile(distance[:32], 2)[:50]) == pytest.approx(0.3)


LIMITS = [
    ("fit_sd", SETTINGS.trusted_sd_mm, SETTINGS.cautioned_sd_mm, 1, "bone-not-pinned"),
    ("halves", 0.8, 1.6, 1, "halves-disagree"),
    ("surface_gap", 1.0, 2.5, 1, "surface-against-grey"),
    ("patch", 0.25, 0.45, 1, "shape-differs"),
    ("correlation", 0.94, 0.85, -1, "grey-disagrees"),
    ("overlap_mm", 40.0, 25.0, -1, "overlap-short"),
    ("runner_up", 4.0, 2.5, -1, "rival-pose"),
    ("scale", 0.012, 0.027, 1, "size-differs"),
    ("soft_tissue", 0.55, 0.3, -1, "soft-tissue-differs"),
]
"""What is judged, the limits from which it is cautioned and withheld, which way is worse, and how it is called; the
limits are those that ``scripts/bench_alignment`` was run with."""


@pytest.mark.parametrize(("name", "cautioned", "withheld", "way", "code"), LIMITS)
def test_each_limit_is_where_it_was_calibrated(
    name: str, cautioned: float, withheld: float, way: int, code: str
) -> None:
    step = way * 1e-3 * max(abs(cautioned), 0.1)
    for value, expected in (
        (cautioned - step, None),
        (cautioned + step, "caution"),
        (withheld - step, "caution"),
        (withheld + step, "withheld"),
    ):
        found = judge(replace(GOOD, **{name: value}), SETTINGS)
        assert (found.trust if found else None) == expected, value
        assert found is None or found.code == code


def test_what_is_not_known_is_not_passed_over() -> None:
    for name in ("halves", "surface_gap", "patch", "correlation", "overlap_mm", "runner_up"):
        found = judge(replace(GOOD, **{name: float("nan")}), SETTINGS)
        assert found is not None, name
        assert (found.trust, found.code) == ("withheld", "bone-scarce"), name
    # No size and no soft tissue in view speak against nothing.
    for name in ("scale", "soft_tissue"):
        assert judge(replace(GOOD, **{name: float("nan")}), SETTINGS) is None, name


def test_a_size_is_held_against_its_own_error() -> None:
    for scale in (0.03, -0.03):
        assert judge(replace(GOOD, scale=scale, scale_sd=0.011), SETTINGS) is None  # 0.03 less 0.022
        found = judge(replace(GOOD, scale=scale, scale_sd=0.005), SETTINGS)
        assert found is not None
        assert (found.code, found.trust) == ("size-differs", "caution")
        assert found.number("percent") == pytest.approx(100 * scale)


@pytest.mark.parametrize(
    ("cosine", "overlap", "trust_"),
    [(-0.49, 0.3, None), (-0.51, 0.64, "withheld"), (-0.51, 0.66, "caution"), (0.51, 0.3, None)],
)
def test_bone_laid_on_upside_down(cosine: float, overlap: float, trust_: str | None) -> None:
    found = judge(replace(GOOD, upside_down=cosine, overlap=overlap), SETTINGS)
    assert (found.trust if found else None) == trust_


@pytest.mark.parametrize(
    ("moved", "gap", "told"), [(1.1, 39.0, True), (0.9, 39.0, False), (1.1, 41.0, False), (0.9, 41.0, False)]
)
def test_another_bone_is_told_where_it_moved_and_lies_near(moved: float, gap: float, told: bool) -> None:
    found = judge(replace(GOOD, second_bone=moved, second_bone_gap=gap), SETTINGS)
    assert (found is not None) == told
    assert found is None or (found.code, found.trust) == ("second-bone", "caution")


@pytest.mark.parametrize(("slices", "code"), [(1.9, "shape-differs"), (2.1, "shape-differs-thick")])
def test_thick_slices_are_named_where_shapes_differ(slices: float, code: str) -> None:
    found = judge(replace(GOOD, patch=0.3, slice_mm=slices), SETTINGS)
    assert found is not None
    assert found.code == code


def test_of_several_objections_the_one_furthest_beyond_its_limit_is_named() -> None:
    def named(**change: float) -> str:
        found = judge(replace(GOOD, **change), SETTINGS)
        assert found is not None
        return found.code

    assert named(halves=1.0, surface_gap=1.5) == "surface-against-grey"  # 1.25 and 1.5 times the limit
    assert named(halves=1.5, surface_gap=1.2) == "halves-disagree"
    assert named(halves=3.2, surface_gap=3.0) == "halves-disagree"  # 2.0 and 1.2 times the one of withholding
    assert named(halves=1.7, surface_gap=5.0) == "surface-against-grey"
    assert named(halves=1.5, surface_gap=2.6) == "surface-against-grey"  # withheld goes before caution
    assert named(halves=1.0, second_bone=3.0, second_bone_gap=9.0) == "second-bone"
    assert named(halves=1.5, upside_down=-0.9) == "halves-disagree"
    assert named(halves=1.1, upside_down=-0.9) == "upside-down"


def test_all_of_the_evidence_is_kept_by_name() -> None:
    pairs = dict(as_pairs(GOOD))
    assert pairs["halves"] == 0.05
    assert pairs["runner_up"] == 20.0
    assert list(pairs) == list(Evidence.__dataclass_fields__)
