"""A lesion that hangs on bone is offered, said to be attached, and never taken unasked."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import histories
import numpy as np
import pytest
from analytic_shell import SOFT_HU, reference

from mineralize import timeline
from mineralize.base import Grid, Settings, Volume
from mineralize.bones import find_skeleton
from mineralize.lesion import Candidate, candidates_of, clear_winner, look_at, nearest_words, why_none
from mineralize.lesion.candidates import find_candidates

SHAPE, SPACING = (90, 80, 80), (2.0, 1.4, 1.4)
ROOT = os.environ.get("MINERALIZE_CTDATA", "")


def limb(*spheres: tuple[tuple[float, float, float], float, float], flare: float = 0.0, ridge: bool = False) -> Volume:
    """Muscle around a shaft of 13 mm widening by ``flare`` mm to one end; spheres (centre, radius, HU) on it."""
    grid = Grid.from_parts(SHAPE, SPACING, (-55.3, -55.3, -89.0))
    world = grid.world_of_all()
    bone = np.hypot(world[..., 0] - 5, world[..., 1])
    outer = 13.0 + flare * np.clip((world[..., 2] - 20.0) / 70.0, 0.0, 1.0) ** 2
    if ridge:
        outer = outer + 3.0 * (np.abs(world[..., 1]) < 4) * (world[..., 0] < 5)
    hu = np.where(np.hypot(world[..., 0], world[..., 1]) < 50, SOFT_HU, -1000.0)
    hu = np.where(bone < outer, 1200.0, hu)
    hu = np.where(bone < outer - 5.0, 60.0, hu)
    for centre, radius, value in spheres:
        hu = np.where((np.linalg.norm(world - centre, axis=-1) < radius) & (bone > outer - 1.0), value, hu)
    hu = hu + np.random.default_rng(0).normal(scale=6.0, size=hu.shape)
    return Volume(hu.astype(np.float32), grid)


def found(volume: Volume) -> tuple[Candidate, ...]:
    return find_candidates(1, volume, find_skeleton(volume, Settings().align), reference(volume, noise=6.0))


ON_BONE = ((-14.0, 0.0, 10.0), 9.0, 500.0)


def test_a_lesion_on_bone_is_offered_but_not_taken() -> None:
    """Its centre lies 19 mm from the axis of a shaft of 13 mm: a third of it is inside the bone's outline."""
    (only,) = found(limb(ON_BONE))
    assert only.attached
    assert "attached to bone" in only.why
    np.testing.assert_allclose(only.point, ON_BONE[0], atol=4.0)
    assert clear_winner((only,)) is None
    assert "attached to bone" in why_none((only,))


def test_a_free_lesion_still_wins_beside_a_smaller_one_on_bone() -> None:
    both = found(limb(((-14.0, 0.0, 10.0), 7.0, 350.0), ((20.0, 33.0, -30.0), 9.0, 450.0)))
    winner = clear_winner(both)
    assert winner is not None
    assert not winner.attached
    np.testing.assert_allclose(winner.point, (20.0, 33.0, -30.0), atol=2.0)
    assert [c.attached for c in both] == [False, True]


def test_two_of_a_size_one_on_bone_have_no_winner() -> None:
    both = found(limb(((-15.0, 0.0, 10.0), 11.0, 700.0), ((20.0, 33.0, -30.0), 6.0, 300.0)))
    assert {c.attached for c in both} == {False, True}
    assert clear_winner(both) is None


@pytest.mark.parametrize("shape", [{"flare": 14.0}, {"ridge": True}, {"flare": 8.0, "ridge": True}])
def test_a_flare_and_a_ridge_of_the_bone_are_no_candidates(shape: dict[str, float]) -> None:
    """Metaphysis and linea aspera, which run along the bone."""
    assert found(limb(**shape)) == ()  # type: ignore[arg-type]


def test_why_no_candidate_was_taken_is_true() -> None:
    base = Candidate(1, 1, (0.0, 0.0, 0.0), 500.0, 400.0, 20.0, 8.0, 400.0, "400 mg")
    assert why_none(()) == "no mineral outside the skeleton was found"
    assert "several" in why_none((base, replace(base, number=2, score=300.0)))
    assert "30 mg" in why_none((replace(base, mass_mg=30.0, score=30.0),))
    assert "leaves the scan" in why_none((replace(base, why="400 mg; leaves the scan"),))


@pytest.mark.slow
@pytest.mark.parametrize("name", ["beside-cortex", "broad-attachment", "grown-through-cortex"])
def test_phantoms_on_bone(name: str) -> None:
    """The last scan of each, in which the lesion is fused with the femur in the image."""
    made = histories.history(name, 0, None, ())
    last = len(made) - 1
    scan = histories.scan_of(made, last, last + 1)
    first, *_ = candidates_of(look_at(scan, Settings()))
    truth = histories.truth(name, 0, last)
    size = np.cbrt(truth["lesion_volume"] * 3 / (4 * np.pi))
    assert np.linalg.norm(np.array(first.point) - made.centroid(last)) < 0.6 * size
    assert first.attached or name == "beside-cortex"
    assert first.mass_mg > 0.4 * truth["mineral_mass"]
    assert not first.attached or clear_winner((first,)) is None


@pytest.mark.slow
@pytest.mark.skipif(not ROOT, reason="needs MINERALIZE_CTDATA")
def test_real_masses() -> None:
    """Soft-tissue sarcoma CT, CC BY 3.0 (Vallieres 2015, 10.7937/K9/TCIA.2015.7GO2GSKS, as re-exported by the IBSI)."""
    for name, wins in (("STS_045", True), ("STS_003", False)):  # mineral of 1.1 and of 0.4 cm3 beside much noise
        case = timeline.read(Path(ROOT) / "sts-calcified" / f"{name}_CT_dicom_rtstruct.tar.xz")
        offered = candidates_of(look_at(case.scans[0], Settings()))
        drawn = case.offered[0]
        assert drawn.mask is not None
        assert drawn.grid is not None
        index = np.rint([drawn.grid.to_index(c.point) for c in offered]).astype(int)
        inside = [bool((i >= 0).all() and (i < drawn.mask.shape).all() and drawn.mask[tuple(i)]) for i in index]
        assert any(inside), f"no candidate of {name} lies in the drawn mass"
        assert inside[0] or not wins
        assert (clear_winner(offered) is not None) or not wins


def test_a_fruitless_point_is_told_where_mineral_lies() -> None:
    base = Candidate(1, 1, (10.0, 0.0, 0.0), 500.0, 400.0, 20.0, 8.0, 400.0, "400 mg")
    far = replace(base, number=2, point=(0.0, 40.0, 0.0), attached=True)
    assert nearest_words((far, base), np.zeros(3)) == "; the nearest mineral outside bone lies 10 mm away at 10,0,0"
    assert "on bone" in nearest_words((far,), np.zeros(3))
    assert nearest_words((), np.zeros(3)) == ""
