"""How a pair is lined up: which bones, which points of them, what is tried next, and what is kept as evidence."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from test_align_search import LAID, MIDDLE, field_of, moved_by, skeleton
from test_align_search import inside_bone as bone_at

from mineralize.align import align, pair
from mineralize.align.pair import Alignment, _bones_by_distance, _coarse_grey, _Pair, _side, _words
from mineralize.base import AlignSettings, Grid, Rigid, Trust, Volume
from mineralize.bones import LesionZone

SETTINGS = AlignSettings()
BALL = LesionZone(np.array([0.0, 0.0, 0.0]), 10.0)


def skeleton_of(**parts: np.ndarray) -> Any:
    """Bones of given surface points, labelled 1, 2, ... in the order given."""
    points = np.concatenate(list(parts.values()))
    labels = np.repeat(np.arange(1, len(parts) + 1), [len(p) for p in parts.values()])
    bones = tuple(
        SimpleNamespace(label=n, name=name, tubular=name == "long", extent_mm=float(np.ptp(p[:, 2])))
        for n, (name, p) in enumerate(parts.items(), start=1)
    )
    turned = np.roll(points, 1, axis=1)
    return SimpleNamespace(bones=bones, points=points, point_labels=labels, normals=turned, scan_grid=None)


def pair_of(skeleton: Any, zone: LesionZone = BALL) -> Any:
    return SimpleNamespace(fixed_skeleton=skeleton, zone=zone, lesion=zone.centre)


def column(x: float, low: float, high: float, count: int = 600) -> np.ndarray:
    z = np.linspace(low, high, count)
    return np.stack([x + 0 * z, 0 * z, z], axis=1)


def test_bones_come_nearest_first_with_their_gap() -> None:
    found = _bones_by_distance(pair_of(skeleton_of(far=column(60.0, -50, 50), near=column(30.0, -50, 50))))
    assert [bone.name for bone, _ in found] == ["near", "far"]
    assert [gap for _, gap in found] == pytest.approx([20.0, 50.0], abs=0.1)


@pytest.mark.parametrize(
    ("clear", "hidden", "taken"), [(200, 500, True), (199, 500, False), (300, 1200, True), (300, 1210, False)]
)
def test_a_bone_needs_two_hundred_points_and_a_fifth_of_its_surface_clear_of_the_lesion(
    clear: int, hidden: int, taken: bool
) -> None:
    """Clear is what lies more than 6 mm outside it."""
    own = np.concatenate([column(16.1, 0.0, 30.0, clear), column(15.9, 0.0, 0.1, hidden)])
    assert bool(_bones_by_distance(pair_of(skeleton_of(own=own)))) == taken


def test_only_the_bone_within_reach_of_the_lesion_is_compared() -> None:
    """Not within 6 mm of it, and not farther than 160 mm where 500 points lie nearer."""
    long = column(20.0, -400.0, 400.0, 4000)
    other = column(50.0, -50.0, 50.0)
    close = column(12.0, -20.0, 20.0)
    found = _side(pair_of(skeleton_of(long=long, other=other, close=close)), [1, 3])
    assert set(np.unique(found.points[:, 0])) == {20.0, 12.0}
    assert np.linalg.norm(found.points, axis=1).max() == pytest.approx(160.0, abs=0.3)
    assert BALL.apart(found.points).min() > 6.0
    assert found.normals == pytest.approx(np.roll(found.points, 1, axis=1))
    assert abs(found.axis[2]) == pytest.approx(1.0, abs=1e-2)
    sparse = column(20.0, -400.0, 400.0, 1200)  # 478 points within 160 mm
    assert np.abs(_side(pair_of(skeleton_of(long=sparse)), [1]).points[:, 2]).max() == pytest.approx(400.0)
    assert np.abs(_side(pair_of(skeleton_of(long=column(20.0, -400, 400, 1300))), [1]).points[:, 2]).max() < 160.0


def test_reach_is_taken_from_the_lesion_wherever_it_lies() -> None:
    zone = LesionZone(np.array([0.0, 0.0, 300.0]), 10.0)
    found = _side(pair_of(skeleton_of(long=column(20.0, -400.0, 400.0, 4000)), zone), [1])
    assert found.points[:, 2].min() == pytest.approx(300.0 - np.sqrt(160.0**2 - 20.0**2), abs=0.3)
    beyond = found.beyond(zone, 40.0)
    assert zone.apart(beyond.points).min() > 40.0
    assert len(beyond.points) == (zone.apart(found.points) > 40.0).sum()
    assert beyond.normals == pytest.approx(np.roll(beyond.points, 1, axis=1))


def test_an_axis_is_that_of_the_points_and_not_of_where_they_lie() -> None:
    rng = np.random.default_rng(1)
    beam = rng.normal(size=(900, 3)) * [40.0, 3.0, 2.0] + [30.0, 90.0, -200.0]
    axis = _side(pair_of(skeleton_of(beam=beam), LesionZone(np.array([0.0, 60.0, -190.0]), 5.0)), [1]).axis
    assert abs(axis[0]) == pytest.approx(1.0, abs=1e-2)


def test_the_bone_that_was_used_is_told_in_words() -> None:
    long, flat = SimpleNamespace(tubular=True, extent_mm=212.3), SimpleNamespace(tubular=False, extent_mm=80.0)
    assert _words([(long, 4.4)]) == "the long bone nearest the lesion (4 mm away, 212 mm in view)"  # type: ignore[list-item]
    assert _words([(flat, -3.0)]) == "the bone nearest the lesion (0 mm away, 80 mm in view)"  # type: ignore[list-item]
    three: Any = [(long, 4.4), (flat, 9.0), (flat, 12.0)]
    assert _words(three).endswith("in view) with 2 beside it")


# ---- what is tried next ------------------------------------------------------------------------------


def scripted(trusts: dict[int, Trust], tried: list[list[str]]) -> Any:
    """Lines up with as many bones as trusts are given for."""

    def line_up(pair_: Any, field: Any, bones: list[Any], settings: Any) -> Alignment:
        tried.append([bone.name for bone, _ in bones])
        trust = trusts[len(bones)]
        return Alignment(1, 2, Rigid.identity(), 0.1, 0.9, trust, f"with {len(bones)}")

    return line_up


def tried_with(
    monkeypatch: pytest.MonkeyPatch, skeleton_: Any, trusts: dict[int, Trust]
) -> tuple[Alignment, list[list[str]]]:
    tried: list[list[str]] = []
    monkeypatch.setattr(pair, "_line_up", scripted(trusts, tried))
    monkeypatch.setattr(pair, "_field_of", lambda _: None)
    found = align(
        1, None, skeleton_, fixed_scan_no=2, fixed=None, fixed_skeleton=skeleton_, lesion_point=(0, 0, 0),  # type: ignore[arg-type]
        lesion_radius_mm=10.0, settings=SETTINGS,
    )  # fmt: skip
    return found, tried


def test_bones_beside_help_where_the_nearest_does_not_pin(monkeypatch: pytest.MonkeyPatch) -> None:
    """Those within 60 mm more of the lesion than the nearest; the result is then cautioned at best."""
    four = skeleton_of(
        near=column(30.0, -50, 50), far=column(91.0, -50, 50), beside=column(89.0, -50, 50), third=column(50.0, -50, 50)
    )
    found, tried = tried_with(monkeypatch, four, {1: "withheld", 3: "ok"})
    assert tried == [["near"], ["near", "third", "beside"]]
    assert found.trust == "caution"
    assert [v.code for v in found.verdicts] == ["with-neighbours"]
    assert "with 3" in found.reason
    found, tried = tried_with(monkeypatch, four, {1: "withheld", 3: "withheld"})
    assert (found.trust, found.reason) == ("withheld", "with 1")
    trusted: Trust
    for trusted in ("ok", "caution"):
        found, tried = tried_with(monkeypatch, four, {1: trusted})
        assert (found.trust, tried) == (trusted, [["near"]])
    alone = skeleton_of(near=column(30.0, -50, 50), far=column(91.0, -50, 50))
    found, tried = tried_with(monkeypatch, alone, {1: "withheld"})
    assert (found.reason, tried) == ("with 1", [["near"]])


def test_bone_that_lies_in_the_lesion_is_none_near(monkeypatch: pytest.MonkeyPatch) -> None:
    found, tried = tried_with(monkeypatch, skeleton_of(own=column(3.0, -8.0, 8.0)), {})
    assert (found.trust, found.reason, tried) == ("withheld", "no bone near the lesion in the reference scan", [])


# ---- a whole pair ------------------------------------------------------------------------------------


def scan(motion: tuple[float, ...], spacing: tuple[float, float, float], seed: int) -> Volume:
    """The bone of the search in muscle and fat that differ from side to side, with some noise."""
    shape = tuple(int(n) for n in np.round(np.array([132.0, 80.0, 80.0]) / spacing))
    grid = Grid.from_parts(shape, spacing)
    world = moved_by(motion).inverse().apply(grid.world_of_all())
    away = bone_at(world.reshape(-1, 3)).reshape(grid.shape)
    soft = np.where(world[..., 0] + 0.3 * world[..., 2] > 58.0, 60.0, -90.0)
    hu = np.where(away < 1.0, np.clip(650.0 - 500.0 * away, 100.0, 1150.0), soft)
    hu += np.random.default_rng(seed).normal(0.0, 8.0, grid.shape)
    return Volume(hu.astype(np.float32), grid)


LESION = MIDDLE + np.array([22.0, 4.0, -5.0])


@pytest.fixture(scope="module")
def whole() -> tuple[Alignment, Rigid, Alignment]:
    """Laid down anew, in slices of 1.5 and 2 mm: the alignment, the truth, and that of the other half of the bone."""
    motion = LAID["nearly as before"]
    fixed, moving = scan((0.0,) * 6, (1.5, 1.6, 1.6), 1), scan(motion, (2.0, 1.6, 1.6), 2)
    how: dict[str, Any] = {"fixed_scan_no": 2, "lesion_point": LESION, "lesion_radius_mm": 10.0, "settings": SETTINGS}
    first, second = skeleton_in(fixed), skeleton_in(moving)
    found = align(1, moving, second, fixed=fixed, fixed_skeleton=first, **how)
    short = Volume(moving.hu[:24], moving.grid.cropped([(0, 24), (0, moving.grid.shape[1]), (0, moving.grid.shape[2])]))
    part = align(1, short, skeleton_in(short), fixed=fixed, fixed_skeleton=first, **how)
    return found, moved_by(motion), part


def skeleton_in(volume: Volume) -> Any:
    from mineralize.bones import find_skeleton

    return find_skeleton(volume, SETTINGS)


def test_a_pair_of_a_known_scene_is_lined_up(whole: tuple[Alignment, Rigid, Alignment]) -> None:
    found, motion, _ = whole
    assert found.trust == "ok", found.reason
    assert np.linalg.norm(found.transform.apply(motion.apply(LESION)) - LESION) < 0.4
    assert found.predicted_sd_mm < 0.3
    assert found.reason == f"standard error {found.predicted_sd_mm:.2f} mm at the lesion"
    assert found.residual_mm < 0.4
    assert 0.7 < found.overlap <= 1.0
    assert found.bone_used.startswith("the ")
    assert found.verdicts == ()


def test_the_evidence_of_a_known_scene_is_what_it_is(whole: tuple[Alignment, Rigid, Alignment]) -> None:
    """Size, soft tissue and direction agree; the rest follows from slices and the zone left out."""
    found, _, _ = whole
    kept = dict(found.evidence)
    assert kept["model_sd"] == pytest.approx(0.04 + 0.02 * 2.0)
    assert kept["slice_mm"] == 2.0
    assert kept["excluded_mm"] >= 16.0
    assert (kept["excluded_mm"] - 16.0) % 5.0 == 0.0
    assert kept["upside_down"] > 0.98
    assert kept["soft_tissue"] > 0.8
    assert abs(kept["scale"]) < 0.01
    assert kept["overlap"] > 0.85
    assert 60.0 < kept["overlap_mm"] < 125.0
    assert kept["correlation"] > 0.97
    assert kept["unexplained"] < 0.05
    assert kept["surface_gap"] < 0.6
    assert kept["patch"] < 0.25
    assert kept["runner_up"] > 4.0
    assert kept["second_bone"] == 0.0
    assert found.turn_sd_mm == kept["turn_sd"] < 0.3
    assert found.slide_sd_mm == kept["slide_sd"] < 0.3
    assert found.predicted_sd_mm == pytest.approx(np.hypot(max(kept["fit_sd"], kept["jackknife_sd"]), kept["model_sd"]))


def test_a_part_of_the_bone_overlaps_less_and_is_told(whole: tuple[Alignment, Rigid, Alignment]) -> None:
    found, _, part = whole
    here, there = dict(found.evidence), dict(part.evidence)
    assert part.trust != "ok"
    if there:
        assert there["overlap_mm"] < here["overlap_mm"] - 20.0


def test_a_lesion_given_by_its_surface_hides_no_more_than_a_margin_of_it() -> None:
    """The radius is that of a ball; a surface has none to be added."""
    motion = (0.0,) * 6
    fixed = scan(motion, (2.0, 1.6, 1.6), 1)
    own = skeleton_in(fixed)
    ring = np.random.default_rng(1).normal(size=(400, 3))
    surface = LESION + 10.0 * ring / np.linalg.norm(ring, axis=1, keepdims=True)
    found = align(
        1, scan(motion, (2.0, 1.6, 1.6), 2), own, fixed_scan_no=2, fixed=fixed, fixed_skeleton=own,
        lesion_point=LESION, lesion_radius_mm=10.0, lesion_surface=surface, settings=SETTINGS,
    )  # fmt: skip
    assert dict(found.evidence)["excluded_mm"] % 5.0 == 1.0  # 6 mm, or 5 more each time that it grows
    assert dict(found.evidence)["excluded_mm"] < 60.0
    assert np.linalg.norm(found.transform.apply(LESION) - LESION) < 0.3


def test_a_scan_that_shows_other_bone_than_the_reference_is_withheld_with_a_reason() -> None:
    """Coarse poses without enough overlap are none, and what is left says so in words."""
    fixed = scan((0.0,) * 6, (2.0, 1.6, 1.6), 1)
    own = skeleton()
    nowhere = replace(own, scan_grid=Grid.from_parts((2, 2, 2), (1.0, 1.0, 1.0), (5000.0, 0.0, 0.0)))
    found = align(
        1, fixed, nowhere, fixed_scan_no=2, fixed=fixed, fixed_skeleton=own, lesion_point=LESION,
        lesion_radius_mm=10.0, settings=SETTINGS,
    )  # fmt: skip
    assert found.trust == "withheld"
    assert found.reason == "no position of this scan puts enough bone on the reference scan"
    assert np.isnan(found.residual_mm)
    assert found.predicted_sd_mm == float("inf")
    assert (found.scan, found.reference_scan, found.overlap) == (1, 2, 0.0)


def test_coarse_fits_are_ranked_by_cost_and_what_is_not_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    """Poses that are alike are fitted once, at most eight; under a fifth of overlap a pose is none."""
    fixed = scan((0.0,) * 6, (2.0, 1.6, 1.6), 1)
    own = skeleton()
    this = _Pair(1, fixed, own, 2, fixed, own, LesionZone(LESION, 10.0))
    side = _side(this, [own.bones[0].label])
    poses = [Rigid.from_vectors((0, 0, 0), (5.0 * k, 0, 0)) for k in range(12)]
    poses.insert(1, Rigid.from_vectors((0, 0, 0), (0.5, 0, 0)))
    given = [(0.30, 1.0), (0.10, 0.19), (0.20, 0.2), (0.201, 1.0), (0.19, 0.21), (0.5, 1.0), (0.6, 1.0), (0.4, 1.0)]
    tried: list[Rigid] = []

    def fit(samples: Any, moving: Any, pose: Rigid, **how: Any) -> Any:
        cost, overlap = given[len(tried)]
        tried.append(pose)
        return SimpleNamespace(pose=pose, cost=cost, overlap=overlap)

    monkeypatch.setattr(pair, "fit_grey", fit)
    found = _coarse_grey(side, this, poses)
    assert found is not None
    assert [pose.matrix[0, 3] for pose in tried] == [5.0 * k for k in range(8)]
    # 0.02 of cost for all that is not seen: 0.201 goes before 0.20 + 0.016, and 0.19 + 0.0158 lies between.
    assert [fit_.cost for fit_ in found[0]] == [0.201, 0.19, 0.20, 0.30, 0.4, 0.5, 0.6]
    tried.clear()
    given[:] = [(0.1, 0.1)] * 8
    assert _coarse_grey(side, this, poses) is None
    assert field_of() is field_of()
