"""The wall that is seen from a point: closed forms of balls and ellipsoids, a block of bone on one side."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from mineralize.base import Grid, Settings, Volume
from mineralize.lesion.find import _first_surface, _known_surface
from mineralize.lesion.start import Ellipsoid
from mineralize.lesion.wall import seen_wall

RADII = np.array([10.0, 9.0, 11.0])


class Plain:
    """A scan at 120 kVp: HU as they are."""

    @staticmethod
    def hu120(hu: NDArray[Any]) -> NDArray[Any]:
        return hu


def scan(block: bool, shell_hu: float = 500.0) -> Volume:
    """An ellipsoid shell of 3 mm around the origin in muscle; ``block``: dense bone from y = 8 mm on."""
    grid = Grid.from_parts((60, 70, 70), [1.0, 1.0, 1.0], [-34.5, -34.5, -29.5])
    p = grid.world_of_all()
    level = np.linalg.norm(p / RADII, axis=-1)
    inside = np.linalg.norm(p / (RADII - 3.0), axis=-1) < 1
    hu = np.where(level < 1, np.where(inside, 40.0, shell_hu), 55.0)
    if block:
        hu = np.where((p[..., 1] > 8.0) & (level >= 1), 900.0, hu)
    return Volume(hu.astype(np.float32), grid)


@pytest.mark.parametrize("block", [False, True])
@pytest.mark.parametrize("point", [[0.0, 0.0, 0.0], [2.0, -1.5, 1.0]])
def test_the_wall_is_completed_where_it_touches_bone(block: bool, point: list[float]) -> None:
    wall = seen_wall(scan(block), Plain(), np.array(point), 150.0)  # type: ignore[arg-type]
    assert wall is not None
    off = (np.linalg.norm(wall / RADII, axis=1) - 1.0) * RADII.min()
    assert np.abs(off).mean() < 1.0
    assert np.abs(off).max() < 2.5


def test_there_is_no_wall_from_within_mineral_or_without_any() -> None:
    ordinary = scan(block=False)
    assert seen_wall(ordinary, Plain(), np.array([0.0, 8.0, 0.0]), 150.0) is None  # type: ignore[arg-type]
    assert seen_wall(scan(False, 60.0), Plain(), np.zeros(3), 150.0) is None  # type: ignore[arg-type]


def test_an_open_plate_beside_the_point_is_no_wall() -> None:
    grid = Grid.from_parts((60, 60, 60), [1.0, 1.0, 1.0], [-29.5] * 3)
    p = grid.world_of_all()
    plate = Volume(np.where(np.abs(p[..., 1] - 10.0) < 2.0, 500.0, 55.0).astype(np.float32), grid)
    assert seen_wall(plate, Plain(), np.zeros(3), 150.0) is None  # type: ignore[arg-type]


def test_where_the_scan_ends_is_no_outside_of_a_wall() -> None:
    """Half of a shell is in view: the rest of its wall leaves the scan and is completed from what is seen."""
    whole = scan(block=False)
    cut = Volume(whole.hu[:30], whole.grid.cropped([(0, 30), (0, 70), (0, 70)]))
    wall = seen_wall(cut, Plain(), np.array([0.0, 0.0, -2.0]), 150.0)  # type: ignore[arg-type]
    assert wall is not None
    off = (np.linalg.norm(wall / RADII, axis=1) - 1.0) * RADII.min()
    assert np.abs(off).max() < 3.0


def test_cortex_before_marrow_is_no_wall() -> None:
    """A tube of bone beside a shell: its marrow is as soft as tissue, and only what bone is known to be tells."""
    grid = Grid.from_parts((60, 80, 70), [1.0, 1.0, 1.0], [-34.5, -34.5, -29.5])
    p = grid.world_of_all()
    level = np.linalg.norm(p / RADII, axis=-1)
    across = np.linalg.norm(p[..., :2] - [0.0, 13.0], axis=-1)
    hu = np.where(level < 1, np.where(level < 0.75, 40.0, 400.0), 55.0)
    hu = np.where(across < 7.0, np.where(across < 4.0, -50.0, 1000.0), hu)
    volume = Volume(hu.astype(np.float32), grid)

    def in_bone(places: NDArray[Any]) -> NDArray[np.bool_]:
        return np.asarray(np.linalg.norm(places[:, :2] - [0.0, 13.0], axis=1) < 7.0)

    point = np.array([0.0, 1.0, 0.0])
    wall = seen_wall(volume, Plain(), point, 150.0, in_bone)  # type: ignore[arg-type]
    assert wall is not None
    into_bone = 7.0 - np.linalg.norm(wall[:, :2] - [0.0, 13.0], axis=1)
    assert into_bone.max() < 2.0
    off = (np.linalg.norm(wall / RADII, axis=1) - 1.0) * RADII.min()
    assert np.abs(off[into_bone < -1.0]).mean() < 1.0
    blind = seen_wall(volume, Plain(), point, 150.0)  # type: ignore[arg-type]
    assert blind is None or (7.0 - np.linalg.norm(blind[:, :2] - [0.0, 13.0], axis=1)).max() > 3.0


@pytest.mark.parametrize(("long", "reach", "within"), [(False, 12.0, True), (False, 5.0, False), (True, 12.0, False)])
def test_a_lesion_known_by_another_scan_is_one_part_with_a_flat_bone(long: bool, reach: float, within: bool) -> None:
    """Most of a ball of 8 mm is labelled as a bone that is no shaft, or the bone only touches it."""
    grid = Grid.from_parts((24, 24, 24), [2.0, 2.0, 2.0], [-23.0] * 3)
    p = grid.world_of_all()
    labels = np.where(p[..., 0] < reach - 8.0, 1, 0).astype(np.int16)
    skeleton = SimpleNamespace(bones=(SimpleNamespace(label=1, tubular=long),))
    skeleton.labels_at = lambda points: labels[tuple(np.moveaxis(np.rint(grid.to_index(points)).astype(int), -1, 0))]
    seen: Any = SimpleNamespace(skeleton=skeleton)
    surface = _known_surface(seen, Ellipsoid(np.zeros(3), 8.0 * np.eye(3)))
    assert (surface is not None) == within
    assert surface is None or np.linalg.norm(surface, axis=1) == pytest.approx(np.full(len(surface), 8.0))


def test_a_wall_is_looked_for_only_where_the_point_lies_in_what_passes_for_bone() -> None:
    """The shell of a ball that is one part with a flat bone; without the label, or with a shaft's, none is needed."""
    grid = Grid.from_parts((60, 70, 70), [1.0, 1.0, 1.0], [-34.5, -34.5, -29.5])
    inside = np.linalg.norm(grid.world_of_all() / RADII, axis=-1) < 1.0

    def seen(label: int, tubular: bool) -> Any:
        def labels_at(points: NDArray[Any]) -> NDArray[Any]:
            at = np.clip(np.rint(grid.to_index(points)).astype(int), 0, np.array(grid.shape) - 1)
            return np.where(inside[tuple(np.moveaxis(at, -1, 0))], label, 0)

        skeleton = SimpleNamespace(
            many_small=False, bones=(SimpleNamespace(label=1, tubular=tubular),), labels_at=labels_at
        )
        return SimpleNamespace(skeleton=skeleton, volume=scan(block=True), reference=Plain())

    wall = _first_surface(seen(1, False), np.zeros(3), Settings())
    assert wall is not None
    assert np.abs(np.linalg.norm(wall / RADII, axis=1) - 1.0).mean() < 0.1
    assert _first_surface(seen(1, True), np.zeros(3), Settings()) is None
    assert _first_surface(seen(0, False), np.zeros(3), Settings()) is None
