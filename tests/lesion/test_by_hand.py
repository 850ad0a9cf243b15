"""Outlines and mineral that readers corrected: ellipsoids and balls of known size, places with 1 mm of error."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from analytic_shell import SOFT_HU, Shell, around, reference, rendered

from mineralize.base import Acquisition, Grid, InMemory, Rigid, Scan, Settings, Volume
from mineralize.bones import Skeleton
from mineralize.lesion import Carrier, Hand, Outline, SeenScan, hand_of
from mineralize.lesion.by_hand import READERS_LENGTH, READERS_VOLUME, corrected
from mineralize.lesion.constraints import evenly_along
from mineralize.lesion.outline import find_outline
from mineralize.measure import Measured, measure_scan
from mineralize.surface import sphere_directions
from mineralize.timeline import Contour, HandActs, MarginPoint, MineralPart

SETTINGS = Settings()
MASS = Shell(radii=(20.0, 16.0, 18.0), shell_hu=SOFT_HU, core_hu=SOFT_HU)
"""A mass that looks like the muscle around it."""


def on_surface(radii: Any, count: int, seed: int, error_mm: float = 1.0) -> Any:
    rng = np.random.default_rng(seed)
    directions, _ = sphere_directions(count)
    turned = directions @ np.linalg.qr(rng.normal(size=(3, 3)))[0].T
    places = turned / np.linalg.norm(turned / np.array(radii), axis=1)[:, None]
    return places + rng.normal(scale=error_mm, size=places.shape)


def drawn(points: Any) -> Hand:
    return Hand(np.asarray(points, float), np.ones(len(points)))


def by_hand(shell: Shell, hand: Hand, found: Outline | None = None, *, specks: bool = True) -> tuple[Outline, Measured]:
    volume = rendered(shell, noise=10.0, fwhm=1.2, margin=14.0)
    hu = np.array(volume.hu)
    if specks:
        for at in ((2.0, 1.0, 0.0), (-3.0, 2.0, 4.0), (1.0, -4.0, -3.0)):
            away = np.linalg.norm(volume.grid.world_of_all() - np.array(at), axis=-1)
            hu += np.where(away < 1.5, 400.0, 0.0).astype(np.float32)
    volume = Volume(hu.astype(np.float32), volume.grid)
    ref = replace(reference(volume, noise=10.0), noise_4mm_hu=10.0 / 8.7)
    near = around(volume, ref)
    outline = corrected(near, ref, hand, SETTINGS, scan=1, found=found, seed=np.zeros(3))
    assert outline is not None
    return outline, measure_scan(near, ref, outline, SETTINGS, volume)


def row(measured: Measured, quantity: str) -> Any:
    return next(r for r in measured.rows if r.quantity == quantity)


@pytest.mark.parametrize("seed", range(2))
def test_ten_places_on_an_unseen_margin_give_a_volume(seed: int) -> None:
    """4/3 pi abc within 10 %, in its interval, with caution."""
    outline, measured = by_hand(MASS, drawn(on_surface(MASS.radii, 10, seed)))
    assert outline.trust == "caution"
    assert "corrected by hand" in outline.reason
    volume = row(measured, "lesion_volume")
    assert volume.value == pytest.approx(MASS.volume_mm3, rel=0.10)
    assert volume.low <= MASS.volume_mm3 <= volume.high
    assert volume.trust == "caution"
    longest = row(measured, "longest_diameter")
    assert longest.low <= 40.0 <= longest.high


def test_too_few_places_leave_it_withheld_and_say_so() -> None:
    outline, measured = by_hand(MASS, drawn(on_surface(MASS.radii, 12, 0)[:2]))
    assert outline.trust == "withheld"
    assert "give more places" in outline.reason
    assert row(measured, "lesion_volume").value is None


def test_the_interval_is_never_narrower_than_readers_differ() -> None:
    outline, measured = by_hand(MASS, drawn(on_surface(MASS.radii, 300, 0, 0.2)))
    volume = row(measured, "lesion_volume")
    assert volume.value == pytest.approx(MASS.volume_mm3, rel=0.03)
    assert 0.5 * (volume.high - volume.low) >= 0.99 * READERS_VOLUME * volume.value
    longest = row(measured, "longest_diameter")
    assert 0.5 * (longest.high - longest.low) >= 0.99 * READERS_LENGTH[-1][1] * longest.value
    assert outline.doubt is not None


def test_fat_bounds_a_surface_that_hand_leaves_open() -> None:
    """Half of the surface is given; on the other side fat begins where the mass ends."""
    shell = replace(MASS, radii=(17.0, 17.0, 17.0), outside_hu=-100.0)
    places = on_surface(shell.radii, 24, 2)
    outline, _ = by_hand(shell, drawn(places[places[:, 0] < 2.0]))
    assert outline.volume_mm3 == pytest.approx(shell.volume_mm3, rel=0.12)
    free, _ = by_hand(replace(shell, outside_hu=SOFT_HU), drawn(places[places[:, 0] < 2.0]))
    assert free.doubt is not None
    assert outline.doubt is not None
    assert outline.doubt.volume < free.doubt.volume


SHELL = Shell(radii=(15.0, 15.0, 15.0))


def test_one_place_moves_a_believed_outline_there_and_nowhere_else() -> None:
    volume = rendered(SHELL, noise=5.0, margin=14.0)
    ref = reference(volume)
    near = around(volume, ref)
    found = find_outline(near, ref, np.zeros(3), SETTINGS, scan=1)
    assert found is not None
    place = np.array([[18.0, 0.0, 0.0]])
    outline = corrected(near, ref, drawn(place), SETTINGS, scan=1, found=found, seed=np.zeros(3))
    assert outline is not None
    assert np.linalg.norm(outline.vertices - place, axis=1).min() < 1.2
    moved = np.linalg.norm(outline.vertices - found.vertices, axis=1)
    assert moved[found.vertices[:, 0] < 0.0].max() < 0.1
    assert outline.trust == "caution"
    # A cap of some 3 mm over a disc of some 8 mm: far less than the whole.
    assert 50.0 < outline.volume_mm3 - found.volume_mm3 < 1500.0
    before, after = (measure_scan(near, ref, o, SETTINGS, volume) for o in (found, outline))
    assert row(after, "mineral_mass").value == pytest.approx(row(before, "mineral_mass").value, rel=0.05)


def test_a_place_on_the_outline_leaves_it_where_it_is() -> None:
    volume = rendered(SHELL, noise=5.0, margin=14.0)
    ref = reference(volume)
    near = around(volume, ref)
    found = find_outline(near, ref, np.zeros(3), SETTINGS, scan=1)
    outline = corrected(near, ref, drawn([[0.0, 15.0, 0.0]]), SETTINGS, scan=1, found=found, seed=np.zeros(3))
    assert found is not None
    assert outline is not None
    assert np.linalg.norm(outline.vertices - found.vertices, axis=1).max() < 0.3
    assert outline.trust == "caution"


def test_curves_on_five_planes_give_the_body_between_them() -> None:
    curves = []
    for z in (-14.0, -7.0, 0.0, 7.0, 14.0):
        t = np.linspace(0.0, 2 * np.pi, 30, endpoint=False)
        share = np.sqrt(1.0 - (z / 18.0) ** 2)
        curves.append(np.stack([20.0 * share * np.cos(t), 16.0 * share * np.sin(t), np.full(30, z)], axis=1))
    outline, measured = by_hand(MASS, Hand(contours=tuple(curves), contour_sd_mm=(1.0,) * 5))
    volume = row(measured, "lesion_volume")
    assert volume.value == pytest.approx(MASS.volume_mm3, rel=0.05)
    assert volume.low <= MASS.volume_mm3 <= volume.high
    assert outline.method == "by hand"


def test_places_along_a_curve_are_even() -> None:
    """A square of 12 mm: 48 mm round, so 16 places 3 mm apart."""
    places = evenly_along(np.array([[0.0, 0, 0], [12, 0, 0], [12, 12, 0], [0, 12, 0]]), 3.0)
    assert len(places) == 16
    assert np.allclose(np.linalg.norm(places - np.roll(places, -1, axis=0), axis=1), 3.0)


# --- parts of the mineral ---------------------------------------------------------------------------------------------


def two_balls(acts: HandActs) -> SeenScan:
    """A ball of mineral of 5 mm radius at the middle and one of 4 mm at 14 mm to the left; no bone."""
    grid = Grid.from_parts((54, 90, 90), (1.2, 0.8, 0.8), (-36.0, -36.0, -32.0))
    world = grid.world_of_all()
    hu = np.full(grid.shape, SOFT_HU)
    for centre, radius in (((0.0, 0.0, 0.0), 5.0), ((14.0, 0.0, 0.0), 4.0)):
        hu += 500.0 * np.clip(radius + 0.5 - np.linalg.norm(world - np.array(centre), axis=-1), 0.0, 1.0)
    hu += np.random.default_rng(1).normal(scale=8.0, size=grid.shape)
    volume = Volume(hu.astype(np.float32), grid)
    ref = reference(volume, noise=8.0)
    coarse = Grid.from_parts((2, 2, 2), (60.0, 60.0, 60.0), (-30.0, -30.0, -30.0))
    nothing = np.zeros((0, 3))
    skeleton = Skeleton(
        coarse, np.zeros((2, 2, 2), np.int16), np.ones((2, 2, 2), bool), (), (), nothing, nothing,
        np.zeros(0, np.int16), np.zeros(0), grid,
    )  # fmt: skip
    scan = Scan(1, 0, grid, Acquisition(kvp=120.0), InMemory(volume))
    return SeenScan(scan, volume, skeleton, ref, SETTINGS, hand_of(acts, 1))


def mass_within(seen: SeenScan, radius: float) -> tuple[float, float]:
    """(mg, 95 % half-width) in a ball about (5, 0, 0) that holds both balls of mineral."""
    directions, faces = sphere_directions(2000)
    outline = Outline(1, 5.0 * np.eye(3)[0] + radius * directions, faces, np.ones(2000), "by hand", 0.5, ())
    near = seen.near_outline(outline)
    measured = measure_scan(near, seen.reference, outline, SETTINGS, seen.volume)
    found = row(measured, "mineral_mass")
    return found.value, 0.5 * (found.high - found.low)


def ball_mg(radius: float) -> float:
    return 500.0 / 1.369 * 4 / 3 * np.pi * radius**3 / 1000


def test_a_part_that_is_taken_is_not_counted() -> None:
    """Mass of a ball from its volume, its 500 HU and the slope at 120 kVp (1.369 HU per mg/cm3)."""
    both, half = mass_within(two_balls(HandActs()), 22.0)
    left, wider = mass_within(two_balls(HandActs(mineral=(MineralPart(1, (14.0, 0.0, 0.0), "take"),))), 22.0)
    assert both == pytest.approx(ball_mg(5.0) + ball_mg(4.0), rel=0.04)
    assert left == pytest.approx(ball_mg(5.0), rel=0.04)
    assert wider > 0.2 * ball_mg(4.0)
    assert half < both


def test_a_part_that_is_added_belongs_to_the_lesion() -> None:
    """Left alone the outline at the middle encloses one ball; with the other added it encloses both."""
    seen = two_balls(HandActs(mineral=(MineralPart(1, (14.0, 0.0, 0.0), "add"),)))
    near, _ = seen.near(np.zeros(3), 34.0, 18.0)
    assert near.added is not None
    world = near.grid.to_world(np.argwhere(near.added))
    assert np.allclose(world.mean(axis=0), [14.0, 0.0, 0.0], atol=0.3)
    assert len(world) * near.grid.voxel_volume_mm3 == pytest.approx(4 / 3 * np.pi * 4.3**3, rel=0.15)


def test_where_there_is_no_mineral_it_is_said() -> None:
    seen = two_balls(HandActs(mineral=(MineralPart(1, (-20.0, 0.0, 0.0), "take"),)))
    assert [n.kind for n in seen.hand_notes] == ["hand-no-mineral"]
    assert "no mineral to take" in seen.hand_notes[0].text


# --- carrying ---------------------------------------------------------------------------------------------------------


def test_only_what_is_to_be_carried_is_and_with_more_doubt() -> None:
    acts = HandActs(
        (MarginPoint(1, (1.0, 2.0, 3.0), carry=True), MarginPoint(1, (4.0, 5.0, 6.0)), MarginPoint(2, (7.0, 8.0, 9.0))),
        (Contour(1, ((0.0, 0.0, 0.0), (9.0, 0.0, 0.0), (9.0, 9.0, 0.0)), carry=True),),
    )
    shift = Rigid.from_vectors((0.0, 0.0, 0.0), (10.0, 0.0, 0.0))
    own = hand_of(acts, 2, lambda other: Carrier(shift, 0.5) if other == 1 else None)
    assert own.points.tolist() == [[7.0, 8.0, 9.0], [11.0, 2.0, 3.0]]
    assert own.sd_mm[1] == pytest.approx(np.sqrt(1.0 + 0.25 + 1.0))
    assert own.contours[0][1].tolist() == [19.0, 0.0, 0.0]
    assert own.carried_from == (1,)
    assert hand_of(acts, 2, lambda other: None).carried_from == ()
    assert len(hand_of(acts, 2).points) == 1
