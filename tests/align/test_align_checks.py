"""Reasons to doubt a pose, one by one: scenes whose answer is given by construction."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from mineralize.align import checks
from mineralize.align.checks import (
    best_rival,
    champion,
    distinct,
    grown_exclusion,
    moved_bone,
    soft_tissue_agreement,
)
from mineralize.base import Grid, Rigid, Volume
from mineralize.bones import LesionZone

UP = np.array([0.0, 0.0, 1.0])
ZERO = np.zeros(3)


def turned(degrees: float, shift: Any = (0, 0, 0)) -> Rigid:
    return Rigid.from_vectors((0, 0, np.radians(degrees)), shift)


@pytest.mark.parametrize(
    ("degrees", "shift", "expected"), [(3.9, 0.0, False), (4.1, 0.0, True), (0.0, 2.9, False), (0.0, 3.1, True)]
)
def test_poses_differ_from_four_degrees_or_three_millimetres_on(degrees: float, shift: float, expected: bool) -> None:
    first = turned(30.0, (5.0, -4.0, 3.0))
    second = first @ turned(degrees, (0.0, shift, 0.0))
    assert distinct(first, second, ZERO) == distinct(second, first, ZERO) == expected
    # Far from the axis a small turn is a large shift: 2 degrees at 100 mm are 3.5 mm.
    assert distinct(first, first @ turned(2.0), np.array([100.0, 0.0, 0.0]))


def fit(pose: Rigid, cost: float, overlap: float = 0.8) -> Any:
    return SimpleNamespace(pose=pose, cost=cost, overlap=overlap)


SAMPLES: Any = SimpleNamespace(world=np.array([[0.0, 0.0, 90.0], [0.0, 0.0, 110.0]]))


def test_rivals_are_looked_for_all_around_the_bone_and_along_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """Turns of 20 to 180 degrees about the middle of the bone either way, slides of 12 and 24 mm; the start stays."""
    tried: list[Rigid] = []

    def kept(samples: Any, moving: Any, pose: Rigid, **how: Any) -> Any:
        tried.append(pose)
        return fit(pose, 1.0)

    monkeypatch.setattr(checks, "fit_grey", kept)
    best = turned(10.0, (1.0, 2.0, 3.0))
    best_rival(SAMPLES, None, fit(best, 0.1), UP, ZERO)  # type: ignore[arg-type]
    motions = [best.inverse() @ pose for pose in tried]
    turns = [np.degrees(np.arctan2(m.matrix[1, 0], m.matrix[0, 0])) for m in motions]
    slides = [m.apply(np.array([0.0, 0.0, 100.0]))[2] - 100.0 for m in motions]
    about = sorted(round(t) for t in turns if abs(t) > 1)
    assert [abs(t) for t in about] == [abs(t) for t in [-135, -90, -45, -20, 20, 45, 90, 135, 180]]
    assert about[:4] == [-135, -90, -45, -20]
    assert sorted(round(s) for s in slides if abs(s) > 1) == [-24, -12, 12, 24]
    middle = np.array([0.0, 0.0, 100.0])
    assert all(np.allclose(m.apply(middle)[:2], 0.0) for m in motions)


def test_the_best_of_distinct_rivals_that_see_enough_is_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    best = fit(Rigid.identity(), 0.1, 0.8)
    script = [
        fit(turned(1.0), 0.01),  # the same pose again
        fit(turned(90.0), 0.02, 0.39),  # sees less than half of what the best sees
        fit(turned(45.0), 0.30, 0.41),
        fit(turned(-45.0), 0.20, 0.50),
        fit(turned(180.0), 0.25, 0.80),
    ]
    found = iter(script + [fit(turned(2.0), 0.5)] * 20)
    monkeypatch.setattr(checks, "fit_grey", lambda *_, **__: next(found))
    rival = best_rival(SAMPLES, None, best, UP, ZERO)  # type: ignore[arg-type]
    assert rival is script[3]
    monkeypatch.setattr(checks, "fit_grey", lambda *_, **__: fit(turned(1.0), 0.5))
    assert best_rival(SAMPLES, None, best, UP, ZERO) is None  # type: ignore[arg-type]


def crowned(monkeypatch: pytest.MonkeyPatch, ranked: list[Any], rivals: list[Any]) -> tuple[Any, float]:
    script = iter(rivals)
    monkeypatch.setattr(checks, "best_rival", lambda *_: next(script))
    return champion(ranked, SAMPLES, None, UP, ZERO)  # type: ignore[arg-type]


def test_a_rival_that_fits_better_takes_the_place(monkeypatch: pytest.MonkeyPatch) -> None:
    """By 3 % of the cost at least, and only where it sees 70 % of what the best sees; the dethroned one remains."""
    first = fit(Rigid.identity(), 0.10, 0.8)
    better = fit(turned(90.0), 0.08, 0.8)
    best, ratio = crowned(monkeypatch, [first], [better, None])
    assert best is better
    assert ratio == pytest.approx(0.10 / 0.08)
    hardly = fit(turned(90.0), 0.098, 0.8)
    best, ratio = crowned(monkeypatch, [first], [hardly])
    assert best is first
    assert ratio == pytest.approx(0.98)
    clearly = fit(turned(90.0), 0.096, 0.57)
    assert crowned(monkeypatch, [first], [clearly, None])[0] is clearly
    blind = fit(turned(90.0), 0.02, 0.55)
    best, ratio = crowned(monkeypatch, [first], [blind])
    assert best is first
    assert ratio == pytest.approx(0.2)


def test_the_runner_up_is_the_next_distinct_pose(monkeypatch: pytest.MonkeyPatch) -> None:
    first = fit(Rigid.identity(), 0.1)
    same, other, worse = fit(turned(1.0), 0.11), fit(turned(40.0), 0.3), fit(turned(80.0), 0.5)
    assert crowned(monkeypatch, [first, same, worse, other], [None])[1] == pytest.approx(3.0)
    assert crowned(monkeypatch, [first, same], [None])[1] == float("inf")
    # After three rounds of better and better rivals it ends all the same.
    each = [fit(turned(90.0 * k), 0.1 * 0.5**k) for k in range(1, 4)]
    best, ratio = crowned(monkeypatch, [first], each)
    assert best is each[2]
    assert ratio == pytest.approx(2.0)


class PlaneField:
    """Bone as the plane x = 0: the distance of a point is its x; the scan ends at ``end`` in z."""

    def __init__(self, end: float = 1e9) -> None:
        self.end = end
        self.scan_grid = SimpleNamespace(contains=lambda world, margin=0.0: world[:, 2] <= self.end - margin)

    def exact(self, world: np.ndarray) -> tuple[np.ndarray, None]:
        return world[:, 0].copy(), None


def along(count: int, length: float, off: Any) -> np.ndarray:
    """Points along z from 0 to ``length``, ``off`` mm from the bone; the lesion is at the origin."""
    z = np.linspace(0.0, length, count)
    return np.stack([off(z), 0 * z, z], axis=1)


BALL = LesionZone(ZERO, 10.0)


@pytest.mark.parametrize("fused_mm", [0.0, 12.0, 33.0])
def test_the_zone_left_out_grows_over_what_does_not_match(fused_mm: float) -> None:
    """Surfaces 2 mm apart up to a distance from the lesion, then alike: the zone ends there, to a step of 5 mm."""
    points = along(2000, 120.0, lambda z: np.where(z - 10.0 <= 6.0 + fused_mm, 2.0, 0.4))
    found = grown_exclusion(points, PlaneField(), Rigid.identity(), BALL, 6.0)  # type: ignore[arg-type]
    assert 6.0 + fused_mm - 1.3 <= found <= 6.0 + fused_mm + 5.0
    assert (found == 6.0) == (fused_mm == 0.0)
    # The other side of the surface is as wrong, and a pose that takes the points there is what is asked about.
    shifted = Rigid.from_vectors((0, 0, 0), (-4.0, 0, 0))
    assert grown_exclusion(points, PlaneField(), shifted, BALL, 6.0) > 60.0  # type: ignore[arg-type]


def test_the_zone_left_out_grows_by_sixty_millimetres_at_most_and_not_into_the_unseen() -> None:
    wrong = along(2000, 150.0, lambda z: 3.0 + 0 * z)
    assert grown_exclusion(wrong, PlaneField(), Rigid.identity(), BALL, 6.0) == 66.0  # type: ignore[arg-type]
    assert grown_exclusion(wrong, PlaneField(end=31.0), Rigid.identity(), BALL, 6.0) == 21.0  # type: ignore[arg-type]
    quarter = along(2000, 150.0, lambda z: np.where(np.arange(len(z)) % 10 < 2, 3.0, 0.0))
    assert grown_exclusion(quarter, PlaneField(), Rigid.identity(), BALL, 6.0) == 6.0  # type: ignore[arg-type]
    third = along(2000, 150.0, lambda z: np.where(np.arange(len(z)) % 10 < 3, 3.0, 0.0))
    assert grown_exclusion(third, PlaneField(), Rigid.identity(), BALL, 6.0) == 66.0  # type: ignore[arg-type]
    few = along(14, 3.5, lambda z: 3.0 + 0 * z) + np.array([0, 0, 17.0])
    assert grown_exclusion(few, PlaneField(), Rigid.identity(), BALL, 6.0) == 6.0  # type: ignore[arg-type]
    enough = along(15, 3.5, lambda z: 3.0 + 0 * z) + np.array([0, 0, 17.0])
    assert grown_exclusion(enough, PlaneField(), Rigid.identity(), BALL, 6.0) == 11.0  # type: ignore[arg-type]


def bones(*parts: np.ndarray) -> Any:
    """A skeleton of numbered bones, each given by its surface points."""
    return SimpleNamespace(
        bones=tuple(SimpleNamespace(label=n) for n in range(1, len(parts) + 1)),
        points=np.concatenate(parts),
        point_labels=np.repeat(np.arange(1, len(parts) + 1), [len(p) for p in parts]),
    )


def shifted_bone(off: float, gap: float = 8.0, count: int = 400, length: float = 100.0) -> np.ndarray:
    """A bone ``off`` mm beside its place, from ``gap`` mm outside the lesion on."""
    return along(count, length, lambda z: off + 0 * z) + np.array([0.0, 0.0, 10.0 + gap])


def moved(skeleton: Any, used: tuple[int, ...] = (1,), end: float = 1e9) -> tuple[float, float]:
    return moved_bone(skeleton, used, PlaneField(end), Rigid.identity(), BALL)  # type: ignore[arg-type]


def test_the_bone_that_moved_most_is_told_with_its_gap() -> None:
    own = shifted_bone(5.0)
    assert moved(bones(own)) == (0.0, float("inf"))
    displaced, gap = moved(bones(own, shifted_bone(1.5, 12.0), shifted_bone(-2.5, 20.0), shifted_bone(2.0, 3.0)))
    assert displaced == pytest.approx(2.5)
    assert gap == pytest.approx(20.0, abs=0.7)
    assert moved(bones(own, shifted_bone(0.79))) == (0.0, float("inf"))
    assert moved(bones(own, shifted_bone(0.81)))[0] == pytest.approx(0.81)
    assert moved(bones(own, shifted_bone(3.0)), used=(1, 2)) == (0.0, float("inf"))
    inside = moved(bones(own, shifted_bone(3.0, -5.0)))
    assert inside == (pytest.approx(3.0), 0.0)  # a bone in the lesion lies no less than nothing away


def test_a_bone_that_is_far_small_or_out_of_view_tells_nothing() -> None:
    own = shifted_bone(0.0)
    nothing = (0.0, float("inf"))
    assert moved(bones(own, shifted_bone(3.0, 81.0))) == nothing
    assert moved(bones(own, shifted_bone(3.0, 79.0)))[0] == pytest.approx(3.0)
    assert moved(bones(own, shifted_bone(3.0, count=149))) == nothing
    assert moved(bones(own, shifted_bone(3.0, count=151, length=50.0)))[0] == pytest.approx(3.0)
    # Of 400 points over 100 mm 99 lie within 24.5 mm and 2 mm clear of the end of the scan.
    assert moved(bones(own, shifted_bone(3.0)), end=18.0 + 24.5 + 2.0) == nothing
    assert moved(bones(own, shifted_bone(3.0)), end=18.0 + 25.5 + 2.0)[0] == pytest.approx(3.0)


def test_of_another_bone_the_stretch_beside_the_lesion_counts() -> None:
    """Within 60 mm of its nearest place, and not what lies within 4 mm of the lesion, which may be lesion."""
    own = shifted_bone(0.0)
    bent = along(800, 200.0, lambda z: np.where(z < 55.0, 1.0, 9.0)) + np.array([0.0, 0.0, 18.0])
    assert moved(bones(own, bent))[0] == pytest.approx(1.0)
    fused = along(300, 5.0, lambda z: 9.0 + 0 * z) + np.array([0.0, 0.0, 5.5])  # 0.6 to 3.8 mm from the lesion
    clear = along(200, 40.0, lambda z: 1.0 + 0 * z) + np.array([0.0, 0.0, 16.0])
    assert moved(bones(own, np.concatenate([fused, clear])))[0] == pytest.approx(1.0)
    assert moved(bones(own, np.concatenate([fused + np.array([0.0, 0.0, 6.0]), clear])))[0] == pytest.approx(9.0)


def patient(flip: bool = False) -> tuple[Volume, Any]:
    """Fat on the left and muscle on the right of a bone along z; flipped, the other way round."""
    grid = Grid.from_parts((40, 40, 40), (2.5, 2.5, 2.5), (-48.75, -48.75, -48.75))
    x = grid.world_of_all()[..., 0]
    hu = np.where((x > 0) != flip, -100.0, 60.0) + 15.0 * np.sin(grid.world_of_all()[..., 1] / 9.0)
    labels = np.zeros(grid.shape, np.int16)
    return Volume(hu.astype(np.float32), grid), SimpleNamespace(
        body=np.ones(grid.shape, bool), labels=labels, grid=grid
    )


BONE = np.stack([np.zeros(200), np.zeros(200), np.linspace(-45, 45, 200)], axis=1)
NOWHERE = LesionZone(np.array([500.0, 0.0, 0.0]), 10.0)


def agreement(fixed: Volume, skeleton: Any, moving: Volume, pose: Rigid, zone: LesionZone = NOWHERE) -> float:
    return soft_tissue_agreement(fixed, skeleton, moving, pose, BONE, zone=zone, margin_mm=6.0)


def test_soft_tissue_of_the_same_patient_agrees_and_of_one_laid_on_wrongly_does_not() -> None:
    """Correlation 1 with itself; with fat and muscle changed about, -1 but for what varies alike."""
    volume, skeleton = patient()
    assert agreement(volume, skeleton, volume, Rigid.identity()) == pytest.approx(1.0)
    pose = turned(30.0, (7.0, -3.0, 4.0))
    grid = volume.grid
    there = Volume(volume.hu, Grid(grid.shape, pose.matrix @ grid.affine))
    assert agreement(volume, skeleton, there, pose) == pytest.approx(1.0, abs=1e-6)
    assert agreement(volume, skeleton, patient(flip=True)[0], Rigid.identity()) < -0.7
    assert agreement(volume, skeleton, volume, turned(180.0)) < -0.7


def test_soft_tissue_is_not_asked_where_it_tells_nothing() -> None:
    volume, skeleton = patient()
    even = Volume(np.full(volume.grid.shape, 50.0, np.float32), volume.grid)
    assert np.isnan(agreement(volume, skeleton, even, Rigid.identity()))
    assert np.isnan(agreement(even, skeleton, volume, Rigid.identity()))
    assert np.isnan(agreement(volume, skeleton, volume, Rigid.from_vectors((0, 0, 0), (95.0, 0, 0))))
    everywhere = LesionZone(ZERO, 200.0)
    assert np.isnan(agreement(volume, skeleton, volume, Rigid.identity(), everywhere))


def test_what_lies_in_lesion_bone_and_its_blur_is_no_soft_tissue() -> None:
    volume, skeleton = patient()
    other = np.array(volume.hu)
    world = volume.grid.world_of_all()
    other[np.hypot(world[..., 0], world[..., 1]) < 5.0] = 140.0  # bone and 5 mm around it
    other[np.linalg.norm(world - [25.0, 0.0, 0.0], axis=-1) < 16.0] = 140.0  # lesion of 10 mm and a margin of 6
    other[np.hypot(world[..., 0], world[..., 1]) > 46.0] = 140.0  # farther from bone than is looked
    skeleton.labels[30:] = 1
    other[30:] = 140.0
    skeleton.body[:8] = False
    other[:8] = 140.0
    there = Volume(other, volume.grid)
    zone = LesionZone(np.array([25.0, 0.0, 0.0]), 10.0)
    assert agreement(volume, skeleton, there, Rigid.identity(), zone) == pytest.approx(1.0, abs=1e-6)
    assert agreement(volume, skeleton, there, Rigid.identity()) < 0.99


def test_air_and_contrast_count_as_the_ends_of_soft_tissue() -> None:
    """Air in a fold of the skin and a vessel with contrast read -200 and 150 HU at most."""
    volume, skeleton = patient()
    loud = np.where(volume.hu < -80, -1000.0, np.where(volume.hu > 60, 900.0, volume.hu)).astype(np.float32)
    quiet = np.clip(loud, -200.0, 150.0)
    here, there = Volume(loud, volume.grid), Volume(quiet, volume.grid)
    assert agreement(here, skeleton, there, Rigid.identity()) == pytest.approx(1.0, abs=1e-6)
