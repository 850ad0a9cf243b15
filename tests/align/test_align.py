"""Alignment on scripted histories whose truth is the scene itself, and the verdict on its own."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest

from mineralize.align import Alignment, align
from mineralize.align.refine import Blurred, Samples, fit_grey
from mineralize.align.search import rotations_from_vectors
from mineralize.align.trust import Evidence, judge, motion_at, patch_mismatch
from mineralize.base import AlignSettings, Grid, Rigid, Volume
from mineralize.bones import Skeleton, find_skeleton
from mineralize.surface import sphere_directions
from phantoms import History, load_history

SETTINGS = AlignSettings()
GOOD = Evidence(
    fit_sd=0.03, jackknife_sd=0.04, turn_sd=0.02, slide_sd=0.03, halves=0.05, surface_gap=0.1, patch=0.03,
    correlation=0.995, unexplained=0.01, overlap_mm=120.0, overlap=0.9, runner_up=20.0, scale=0.0, scale_sd=0.001,
)  # fmt: skip


def changed(name: str, scan: int, **change: Any) -> History:
    history = load_history(name, seed=3)
    scans = [dict(entry) for entry in history.table["scans"]]
    scans[scan].update(change)
    return History(history.name, history.seed, {**history.table, "scans": scans})


def volume_of(scan: Any) -> Volume:
    hu = np.clip(np.rint(scan.hu), -1024, 3071).astype(np.int16)
    return Volume(hu, Grid.from_parts(hu.shape, scan.spacing, scan.origin, scan.directions))


@cache
def reference(name: str) -> tuple[Any, Volume, Skeleton]:
    history = load_history(name, seed=3)
    scan = history.render(len(history) - 1)
    volume = volume_of(scan)
    return scan, volume, find_skeleton(volume, SETTINGS)


@cache
def moved(name: str, **change: Any) -> tuple[Any, Volume, Skeleton]:
    """Scan 1 of a history, changed."""
    scan = changed(name, 0, **change).render(0)
    volume = volume_of(scan)
    return scan, volume, find_skeleton(volume, SETTINGS)


def aligned(name: str, **change: Any) -> tuple[float, Alignment]:
    """Scan 1 of a history, changed, on its last: error at the lesion in mm, and the alignment."""
    fixed_scan, fixed, fixed_bones = reference(name)
    history = changed(name, 0, **change)
    scan, moving, moving_bones = moved(name, **change)
    lesion = np.asarray(fixed_scan.lesion_centroid)
    radius = float(max(history.lesions(len(history) - 1)[0].radii))
    found = align(
        1, moving, moving_bones, fixed_scan_no=3, fixed=fixed, fixed_skeleton=fixed_bones,
        lesion_point=lesion, lesion_radius_mm=radius, settings=SETTINGS,
    )  # fmt: skip
    to_moving = np.linalg.inv(scan.to_body) @ fixed_scan.to_body
    truth = (to_moving @ np.append(lesion, 1.0))[:3]
    return float(np.linalg.norm(found.transform.apply(truth) - lesion)), found


@pytest.mark.parametrize(
    "change",
    [
        {},
        {"turn_deg": 60.0},
        {"prone": True},
        {"level_shift": -100.0},
        {"slice_mm": 3.0, "slices": 55},
        {"kvp": 80.0, "kernel": "sharp", "noise": 35.0},
    ],
    ids=["easy", "turned", "prone", "little overlap", "thick", "noisy"],
)
def test_error_at_the_lesion(change: dict[str, Any]) -> None:
    error, found = aligned("maturing-shell", **change)
    assert error <= 0.3
    assert found.trust == "ok", found.reason
    assert found.predicted_sd_mm < 0.3


def test_a_long_lesion_leaves_the_bone_beside_it_to_be_compared() -> None:
    """Left out by a ball of 120 mm no bone is left; left out by its own shape the fit is as good as ever."""
    fixed_scan, fixed, fixed_bones = reference("maturing-shell")
    scan, moving, moving_bones = moved("maturing-shell")
    lesion = np.asarray(fixed_scan.lesion_centroid)
    directions, _ = sphere_directions(800)
    long = lesion + directions @ np.diag([15.0, 15.0, 120.0])
    by_ball, by_shape = (
        align(
            1, moving, moving_bones, fixed_scan_no=3, fixed=fixed, fixed_skeleton=fixed_bones,
            lesion_point=lesion, lesion_radius_mm=120.0, lesion_surface=surface, settings=SETTINGS,
        )
        for surface in (None, long)
    )  # fmt: skip
    assert by_ball.trust == "withheld"
    assert by_shape.trust == "ok", by_shape.reason
    truth = (np.linalg.inv(scan.to_body) @ fixed_scan.to_body @ np.append(lesion, 1.0))[:3]
    assert np.linalg.norm(by_shape.transform.apply(truth) - lesion) < 0.3


def test_a_second_bone_that_moved_is_marked() -> None:
    error, found = aligned("two-bones")
    assert error <= 0.3
    assert found.trust == "caution"
    assert "another bone" in found.reason


def test_a_cylinder_is_never_trusted_silently() -> None:
    _, found = aligned("cylinder")
    assert found.trust != "ok"


@pytest.mark.parametrize("change", [{"patient": 1}, {"mirrored": True}], ids=["another patient", "mirrored"])
def test_what_cannot_be_lined_up_is_not_trusted(change: dict[str, Any]) -> None:
    error, found = aligned("maturing-shell", **change)
    assert found.trust == "withheld", (error, found.reason)


def test_a_scan_without_bone_gives_a_reason_not_an_exception() -> None:
    _, fixed, bones = reference("maturing-shell")
    grid = Grid.from_parts((20, 40, 40), (2.0, 1.0, 1.0))
    empty = Volume(np.full(grid.shape, 40, np.int16), grid)
    found = align(
        1, empty, find_skeleton(empty, SETTINGS), fixed_scan_no=2, fixed=fixed, fixed_skeleton=bones,
        lesion_point=(0, 0, 0), lesion_radius_mm=10.0, settings=SETTINGS,
    )  # fmt: skip
    assert (found.trust, found.reason) == ("withheld", "no bone in this scan")


def test_the_reference_is_itself() -> None:
    _, fixed, bones = reference("maturing-shell")
    found = align(
        2,
        fixed,
        bones,
        fixed_scan_no=2,
        fixed=fixed,
        fixed_skeleton=bones,
        lesion_point=(0, 0, 0),
        lesion_radius_mm=10.0,
        settings=SETTINGS,
    )
    assert found.trust == "ok"
    assert np.array_equal(found.transform.matrix, np.eye(4))


@pytest.mark.parametrize(
    ("name", "value", "trust", "word"),
    [
        ("fit_sd", 0.5, "caution", "does not pin"),
        ("jackknife_sd", 2.0, "withheld", "does not pin"),
        ("halves", 2.0, "withheld", "halves"),
        ("surface_gap", 1.5, "caution", "disagree"),
        ("patch", 0.6, "withheld", "shape"),
        ("correlation", 0.9, "caution", "correlation"),
        ("halves", float("nan"), "withheld", "too little bone"),
        ("overlap_mm", 20.0, "withheld", "both scans"),
        ("runner_up", 1.1, "withheld", "another position"),
        ("scale", 0.05, "withheld", "size"),
        ("soft_tissue", 0.1, "withheld", "fat and muscle"),
        ("upside_down", -0.99, "caution", "upside down"),
    ],
)
def test_verdict_names_what_speaks_against_it(name: str, value: float, trust: str, word: str) -> None:
    assert judge(GOOD, SETTINGS) is None
    found = judge(replace(GOOD, **{name: value}), SETTINGS)
    assert found is not None
    assert found.trust == trust
    assert word in found.text


def test_a_difference_in_shape_is_put_down_to_thick_slices_first() -> None:
    thick = judge(replace(GOOD, patch=0.6, slice_mm=5.0), SETTINGS)
    thin = judge(replace(GOOD, patch=0.6, slice_mm=1.0), SETTINGS)
    assert thick is not None
    assert thin is not None
    assert thick.trust == "withheld"
    assert "slices 5.0 mm apart" in thick.text
    assert "slices" not in thin.text


def test_a_pose_outside_the_scan_is_given_up_not_an_error() -> None:
    grid = Grid.from_parts((20, 20, 20), (1.0, 1.0, 1.0))
    hu = np.random.default_rng(5).normal(size=grid.shape).astype(np.float32)
    image = Blurred(hu, grid)
    world = grid.to_world(np.random.default_rng(6).uniform(3, 16, (500, 3)))
    samples = Samples(world, image.at(world), image.gradient_at(world), np.arange(500))
    lost = fit_grey(samples, image, Rigid.from_vectors((0, 0, 0), (400.0, 0, 0)))
    assert (lost.overlap, lost.correlation) == (0.0, 0.0)


def test_motion_at_a_point_is_the_derivative_of_the_rigid_motion() -> None:
    point, pivot = np.array([10.0, -4.0, 7.0]), np.array([1.0, 2.0, 3.0])
    small = np.array([1e-5, -2e-5, 3e-5, 0.01, 0.02, -0.01])
    moved = Rigid.from_vectors(small[:3].tolist(), small[3:].tolist(), pivot.tolist()).apply(point) - point
    assert motion_at(point, pivot) @ small == pytest.approx(moved, abs=1e-6)


def test_rotations_agree_with_the_single_one() -> None:
    vectors = np.random.default_rng(0).normal(size=(5, 3))
    expected = [Rigid.from_vectors(v.tolist(), (0, 0, 0)).matrix[:3, :3] for v in vectors]
    assert rotations_from_vectors(vectors) == pytest.approx(np.array(expected))


def test_patches_see_shape_but_neither_noise_nor_a_shift_of_the_whole() -> None:
    rng = np.random.default_rng(2)
    points = rng.uniform(0, 80, (4000, 3)) * [1, 1, 0]
    noise = rng.normal(0, 0.3, 4000)
    assert patch_mismatch(points, noise + 0.7) < 0.1
    assert patch_mismatch(points, noise + np.sin(points[:, 0] / 10)) > 0.5
