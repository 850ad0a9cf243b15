"""Where the lesion could be: known mineral in a plain limb; who leads clearly and who does not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from analytic_shell import SOFT_HU, reference

from mineralize.align import Alignment  # noqa: F401  (guards that the modules load together)
from mineralize.base import Grid, Settings, Volume
from mineralize.bones import find_skeleton
from mineralize.lesion import Candidate, clear_winner
from mineralize.lesion.candidates import find_candidates

SHAPE, SPACING = (70, 90, 90), (2.0, 1.2, 1.2)


def limb(*spheres: tuple[tuple[float, float, float], float, float], rods: bool = False) -> Volume:
    """Muscle cylinder with a femur-like bone, and solid spheres (centre, radius, HU) in the muscle."""
    grid = Grid.from_parts(SHAPE, SPACING, (-53.4, -53.4, -69.0))
    world = grid.world_of_all()
    r = np.hypot(world[..., 0], world[..., 1])
    bone = np.hypot(world[..., 0] - 5, world[..., 1])
    hu = np.where(r < 48, SOFT_HU, -1000.0)
    hu = np.where(bone < 13, 1200.0, hu)
    hu = np.where(bone < 8, 60.0, hu)
    for centre, radius, value in spheres:
        hu = np.where(np.linalg.norm(world - centre, axis=-1) < radius, value, hu)
    if rods:
        hu = np.where(np.hypot(world[..., 0] + 30, world[..., 1] - 10) < 2.2, 400.0, hu)
    hu = hu + np.random.default_rng(0).normal(scale=6.0, size=hu.shape)
    return Volume(hu.astype(np.float32), grid)


def found(volume: Volume) -> tuple[Candidate, ...]:
    skeleton = find_skeleton(volume, Settings().align)
    return find_candidates(1, volume, skeleton, reference(volume, noise=6.0))


BIG = ((-28.0, -8.0, 6.0), 9.0, 450.0)


def test_one_mass_wins_clearly() -> None:
    """Mass in closed form: sphere volume times excess HU over 1.369 HU per mg/cm3."""
    first = found(limb(BIG))
    assert len(first) == 1
    winner = clear_winner(first)
    assert winner is not None
    np.testing.assert_allclose(winner.point, BIG[0], atol=2.0)
    mass = 4 / 3 * np.pi * 9.0**3 * (450 - SOFT_HU) / 1.369 / 1000
    assert winner.mass_mg == pytest.approx(mass, rel=0.15)
    assert winner.number == 1
    # the sphere lies 32 mm from the axis of a bone of 13 mm: 34.2 - 9 - 13 mm apart
    assert winner.bone_distance_mm == pytest.approx(np.hypot(33, 8) - 22, abs=2.5)


def test_two_alike_have_no_winner() -> None:
    both = found(limb(BIG, ((-10.0, 32.0, -30.0), 8.5, 450.0)))
    assert [c.number for c in both] == [1, 2]
    assert both[0].score >= both[1].score
    assert clear_winner(both) is None


def test_no_candidate_in_a_plain_limb_and_bone_is_none() -> None:
    assert found(limb()) == ()
    assert clear_winner(()) is None


def test_a_long_thin_calcified_vessel_never_wins() -> None:
    """Wall calcification follows a vessel (common practice, no source)."""
    vessel = found(limb(rods=True))
    assert all("vessel" in c.why or "leaves" in c.why for c in vessel)
    assert clear_winner(vessel) is None


def test_what_a_winner_needs() -> None:
    base = Candidate(1, 1, (0.0, 0.0, 0.0), 500.0, 400.0, 20.0, 8.0, 400.0, "400 mg")
    assert clear_winner((base,)) is base
    assert clear_winner((replace(base, mass_mg=30.0),)) is None  # a phlebolith
    assert clear_winner((base, replace(base, number=2, score=150.0))) is None
    assert clear_winner((base, replace(base, number=2, score=50.0))) is base
    assert clear_winner((replace(base, why="leaves the scan"),)) is None
