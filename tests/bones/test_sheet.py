"""A bone's face continued beneath a lesion, against plates and balls whose surfaces are known in closed form."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from skimage import measure

from mineralize.base import Grid, sample
from mineralize.bones.sheet import Sheet, sheet
from mineralize.bones.zone import LesionZone

Depth = Callable[[Any], Any]
SIZE, CELL_MM = 81, 1.5
MIDDLE = np.array([60.0, 60.0, 60.0])
HALF_MM, RADIUS_MM = 4.0, 11.0


def plate(points: Any, end_mm: float = 1e3) -> Any:
    """Signed mm outside a plate of 8 mm whose middle bends by 4 mm over 30 mm; it ends at ``x = end_mm``."""
    x, y, z = np.moveaxis(points - MIDDLE, -1, 0)
    middle = -x * x / 225.0 + y * y / 450.0
    steep = np.sqrt(1.0 + (2 * x / 225.0) ** 2 + (2 * y / 450.0) ** 2)
    return np.maximum(np.abs(z - middle) / steep - HALF_MM, x - end_mm)


def knob(points: Any) -> Any:
    """Signed mm outside a ball of 20 mm whose top touches the height of the plate's face."""
    return np.linalg.norm(points - MIDDLE - np.array([0.0, 0.0, HALF_MM - 20.0]), axis=-1) - 20.0


def made(bone: Depth, centre: Any, *, cortex_shows: bool) -> Sheet | None:
    """The face of a bone beneath a ball fused with it, from the field of both; HU of either where cortex shows."""
    grid = Grid.from_parts((SIZE, SIZE, SIZE), [CELL_MM] * 3, [0.0, 0.0, 0.0], np.eye(3))
    world = grid.to_world(np.argwhere(np.ones(grid.shape, bool)))
    ball = np.linalg.norm(world - centre, axis=1) - RADIUS_MM
    field = np.minimum(bone(world), ball).reshape(grid.shape).astype(np.float32)
    corners, _, _, _ = measure.marching_cubes(field, 0.0)

    def distance_at(spots: Any) -> Any:
        return sample(field, grid, spots, outside=60.0)

    def hu_at(spots: Any) -> Any:
        lesion = np.where(np.linalg.norm(spots - centre, axis=-1) < RADIUS_MM, 350.0, 50.0)
        return np.where(bone(spots) < 0, 1200.0, lesion) if cortex_shows else np.full(spots.shape[:-1], 50.0)

    zone = LesionZone(np.asarray(centre, float), RADIUS_MM)
    return sheet(field, grid, distance_at, hu_at, grid.to_world(corners), zone=zone)


def off_mm(found: Sheet, bone: Depth) -> Any:
    """How far (mm) the continued points lie from the true surface."""
    points, _, _ = found.spots()
    assert len(points) > 50
    return np.abs(bone(points))


@pytest.mark.parametrize("deep_mm", [-1.0, 2.0])
def test_plate_is_continued_beneath_a_lesion_fused_with_it(deep_mm: float) -> None:
    centre = MIDDLE + np.array([0.0, 0.0, HALF_MM + RADIUS_MM - deep_mm])
    found = made(plate, centre, cortex_shows=False)
    assert found is not None
    off = off_mm(found, plate)
    assert np.median(off) < 0.4
    assert np.percentile(off, 95) < 1.0


def test_the_lesion_is_outside_and_the_plate_inside() -> None:
    centre = MIDDLE + np.array([0.0, 0.0, HALF_MM + RADIUS_MM - 2.0])
    found = made(plate, centre, cortex_shows=False)
    assert found is not None
    distance, applies = found.distance(np.stack([centre, MIDDLE + np.array([0.0, 0.0, HALF_MM - 1.0])]))
    assert applies.all()
    assert distance[0] == pytest.approx(RADIUS_MM - 2.0, abs=1.0)
    assert distance[1] == pytest.approx(-1.0, abs=0.8)


def test_no_plate_is_invented_beyond_its_end() -> None:
    def ending(points: Any) -> Any:
        return plate(points, end_mm=2.0)

    centre = MIDDLE + np.array([0.0, 0.0, HALF_MM + RADIUS_MM - 1.0])
    found = made(ending, centre, cortex_shows=False)
    assert found is not None
    points, _, _ = found.spots()
    # Where the ball lies on the plate's edge the end cannot be told: half its width at the plate's middle, some 5 mm.
    assert (points[:, 0] - MIDDLE[0]).max() < 2.0 + 5.0
    distance, applies = found.distance(MIDDLE[None] + np.array([[8.0, 0.0, HALF_MM - 0.5]]))
    assert not applies[0] or distance[0] > 0


def test_a_rounded_end_is_followed_where_its_cortex_shows() -> None:
    centre = MIDDLE + np.array([0.0, 0.0, HALF_MM + RADIUS_MM - 1.0])
    found = made(knob, centre, cortex_shows=True)
    assert found is not None
    _, _, seen = found.spots()
    assert seen.mean() > 0.8
    assert np.percentile(off_mm(found, knob), 95) < 1.0


def test_nothing_is_claimed_where_too_little_is_seen() -> None:
    def speck(points: Any) -> Any:
        return np.linalg.norm(points - MIDDLE, axis=-1) - 3.0

    assert made(speck, MIDDLE + np.array([0.0, 0.0, 13.0]), cortex_shows=False) is None
