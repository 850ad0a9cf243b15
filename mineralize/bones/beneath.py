"""Every bone that a lesion may touch, one by one, its contour continued beneath the lesion."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import SimpleITK as sitk
from numpy.typing import NDArray
from scipy import ndimage

from ..base import Floats, Grid, Volume, lazy, sample, to_sitk
from .bridge import CONTACT_MARGIN_MM, WINDOW_MM, DistanceAt, bridge
from .field import sub_voxel_field
from .parts import Bone
from .sheet import BESIDE_MM, Continued, Sheet, sheet
from .zone import LesionZone

FAR_MM = 60.0
CHANGED_MM = 6.0
"""Only what lies this close to the old contour or the new one can change."""
ADDED_MM = 0.5
"""A continued contour may lie so far outside all that looks like bone, and no farther: bone is bright. Half a voxel of
the scan; with 1.5 mm the contour hid a third of the mineral that faced a real hip."""
PASSES_ON = 0.25
"""Share of its border with bone that lies beyond the lesion, from which what was taken off is bone that passes by: a
lesion ends within its zone, a bone's second limb does not. Own judgement; a hip's limb has 0.4 and more."""
CORTEX_MM, LEAST_CORTEX = (0.5, 2.5), 30
"""Depth beneath a bone's surface at which its cortex is looked at, and voxels that it takes."""
AS_DENSE = 0.8
"""Share of the free cortex's HU from which what was taken off is bone: own judgement."""
PALE = 0.5
"""... and up to which it is none, though it goes on beyond the lesion: the shell of a lesion broadly on a shaft has 0.2
of its cortex, what passes by in a hip or a hand 0.7 and more (`scripts/validate_bone`, seed 21; real hip and hand)."""
WINDOWS_MM = (WINDOW_MM, 40.0, 25.0)
"""Lengths above and below the lesion within which bones that join elsewhere, at an ankle or a wrist, are looked at."""
SHARED_LENGTH = 0.7
"""Share of such a stretch that each of two bones side by side must run along."""
ASTRAY_MM, LEAST_SHAFT = 2.0, 0.85
"""A bone is a shaft where this share of its surface beside the lesion lies so close to one contour around a line."""
LEAST_PIECE_MM3 = 400.0
"""Smallest piece of a bone in such a stretch: 25 mm of a metacarpal's shaft; own judgement."""
NOT_CONTINUED = "the lesion may touch a bone whose contour could not be continued beneath it"
HIDDEN = "the bone contour was continued beneath the lesion where it cannot be seen"
ONE_SIDED = "free bone is in view on one side of the lesion only"


@dataclass(frozen=True, eq=False)
class BoneField:
    """Bones near a lesion on their coarse ``grid``: ``labels`` of ``parts``; surface ``points`` (N, 3) and the label of
    each (``owner``)."""

    grid: Grid
    labels: NDArray[np.int16]
    parts: Sequence[Bone]
    points: Floats
    owner: NDArray[np.int16]

    @lazy
    def inside(self) -> NDArray[np.bool_]:
        """All of the parts."""
        return np.isin(self.labels, [part.label for part in self.parts]) & (self.labels > 0)

    def field(self, mask: NDArray[np.bool_], points: Floats) -> NDArray[np.float32]:
        """Signed distance to a mask, through surface points."""
        return sub_voxel_field(mask, self.grid, points)

    def resampled(self, values: NDArray[np.float32], target: Grid) -> NDArray[np.float32]:
        """A field on another grid, linear, 60 beyond its box."""
        like = to_sitk(np.zeros(target.shape, np.uint8), target)
        moved = sitk.Resample(
            to_sitk(values, self.grid), like, sitk.Transform(), sitk.sitkLinear, FAR_MM, sitk.sitkFloat32
        )
        return np.asarray(sitk.GetArrayFromImage(moved), np.float32)


@dataclass
class Beneath:
    """``distance`` float32 on the scan's box, every contour continued; ``bridges`` that did it, and ``notes`` on it."""

    distance: NDArray[np.float32]
    bridges: list[Continued] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    @property
    def note(self) -> str:
        """What there is to say, each once."""
        return "; ".join(dict.fromkeys(self.notes))


def continued(
    bones: BoneField, volume: Volume, crop: Volume, zone: LesionZone | None, carried_at: DistanceAt | None = None
) -> Beneath:
    """Distance to bone on the box ``crop`` of a scan, the contour of every bone that the lesion may touch replaced.

    Each bone has a field of its own until it is done, so that the continued contour of one takes nothing of another
    that lies beyond the lesion.
    """
    inside = bones.inside
    if zone is None:
        return Beneath(bones.resampled(bones.field(inside, bones.points), crop.grid))
    rest, rest_points = inside.copy(), np.ones(len(bones.points), bool)
    touched = []
    for part in bones.parts:
        at = bones.owner == part.label
        if not (zone.apart(bones.points[at], CONTACT_MARGIN_MM) < CONTACT_MARGIN_MM).any():
            continue
        for mask, own in _pieces(bones, part, zone, at):
            if (zone.apart(bones.points[own], CONTACT_MARGIN_MM) < CONTACT_MARGIN_MM).any():
                touched.append((part, mask, own))
                rest &= ~mask
                rest_points &= ~own
    result = Beneath(np.full(crop.grid.shape, FAR_MM, np.float32))
    if rest.any():
        result.distance = bones.resampled(bones.field(rest, bones.points[rest_points]), crop.grid)
    box = volume.grid.bounds_around(np.stack([zone.centre - zone.radius - 70, zone.centre + zone.radius + 70]), 0.0)
    wide = Volume(volume.hu[tuple(slice(*span) for span in box)], volume.grid.cropped(box))
    for part, mask, own in touched:
        own_field = bones.field(mask, bones.points[own])
        native = bones.resampled(own_field, crop.grid)
        made = _bridge_of(bones, own_field, wide, bones.points[own], part, zone=zone, carried_at=carried_at)
        if made is None:
            result.notes.append(NOT_CONTINUED)
        else:
            result.bridges.append(made)
            if made.suspect.any():
                native = replaced(native, crop, made, zone)
                if (made.suspect & ~made.seen).any():
                    result.notes.append(HIDDEN)
                if made.one_sided:
                    result.notes.append(ONE_SIDED)
        result.distance = np.minimum(result.distance, native)
    return result


def _bridge_of(
    bones: BoneField,
    own_field: NDArray[np.float32],
    wide: Volume,
    points: Floats,
    part: Bone,
    *,
    zone: LesionZone,
    carried_at: DistanceAt | None,
) -> Continued | None:
    """A shaft is continued along its axis, any other bone across its surface."""

    def distance_at(world: Floats) -> Floats:
        return sample(own_field, bones.grid, world, outside=FAR_MM)

    def hu_at(world: Floats) -> Floats:
        return sample(wide.hu, wide.grid, world, outside=-1000.0)

    along = bridge(distance_at, hu_at, points, part.axis, zone, carried_at=carried_at)
    if along is not None:
        apart = zone.apart(points, CONTACT_MARGIN_MM + BESIDE_MM)
        beside = points[(apart > CONTACT_MARGIN_MM) & (apart < CONTACT_MARGIN_MM + BESIDE_MM)]
        if len(beside) and (along.astray(beside) < ASTRAY_MM).mean() > LEAST_SHAFT:
            return along
    return sheet(own_field, bones.grid, distance_at, hu_at, points, zone=zone) or along


def replaced(native: NDArray[np.float32], crop: Volume, made: Continued, zone: LesionZone) -> NDArray[np.float32]:
    """A bone's own distance on the box of a scan with the continued contour where it applies."""
    grid = crop.grid
    reach = zone.radius + CONTACT_MARGIN_MM + 25
    box = grid.bounds_around(np.stack([zone.centre - reach, zone.centre + reach]), 0.0)
    native = native.copy()
    part_of = native[tuple(slice(lo, hi) for lo, hi in box)]
    part_grid = grid.cropped(box)
    wanted = part_of < CHANGED_MM
    line, width = made.line_within()
    wanted[tuple(slice(*span) for span in part_grid.bounds_around(line, width + CHANGED_MM))] = True
    at = np.nonzero(wanted)
    distance, applies = made.distance(part_grid.to_world(np.stack(at, axis=1)))
    old = part_of[at]
    distance = np.maximum(distance, old - ADDED_MM)
    changes = applies & (np.minimum(distance, old) < CHANGED_MM)
    changed = np.zeros(part_of.shape, bool)
    changed[at] = changes
    now = part_of.copy()
    now[at] = np.where(changes, distance, old)
    # A face has edges that its height map cuts off; the section of a shaft has them all.
    hu = crop.hu[tuple(slice(lo, hi) for lo, hi in box)]
    kept = still_bone(part_of, now < 0, changed, hu, edges_cut=isinstance(made, Sheet))
    part_of[:] = np.where(kept, part_of, now)
    return native


def still_bone(
    native: NDArray[np.float32],
    after: NDArray[np.bool_],
    changed: NDArray[np.bool_],
    hu: NDArray[Any],
    *,
    edges_cut: bool = False,
) -> NDArray[np.bool_]:
    """What the continued contour takes off, and is bone all the same; (slices, rows, columns) as all that is given.

    A piece that goes on beyond the lesion passes it by, unless it is far paler beneath its surface than the free bone
    around it. Where the contour may have cut edges off (``edges_cut``), a piece as dense as that bone is bone too.

    Parameters
    ----------
    native : mm outside bone before.
    after : bone.
    changed : where the continued contour applies.
    hu : of the scan.
    """
    before = native < 0
    cortex = (native < -CORTEX_MM[0]) & (native > -CORTEX_MM[1])
    free = cortex & ~changed
    usual = float(np.median(hu[free])) if free.sum() >= LEAST_CORTEX else math.nan
    removed, _ = ndimage.label(before & ~after)
    kept = np.zeros(native.shape, bool)
    for label, span in enumerate(ndimage.find_objects(removed), start=1):
        wide = tuple(slice(max(s.start - 1, 0), s.stop + 1) for s in span)
        piece = removed[wide] == label
        border = ndimage.binary_dilation(piece) & before[wide] & ~piece
        passing = border.any() and (border & ~changed[wide]).sum() > PASSES_ON * border.sum()
        layer = piece & cortex[wide]
        # Where too little of either is seen it is unknown, neither pale nor dense.
        like = float(np.median(hu[wide][layer])) / usual if layer.sum() >= LEAST_CORTEX else math.nan
        if (passing and not like <= PALE) or (edges_cut and like > AS_DENSE):
            kept[wide] |= piece
    return kept


def _pieces(
    bones: BoneField, part: Bone, zone: LesionZone, at: NDArray[np.bool_]
) -> list[tuple[NDArray[np.bool_], NDArray[np.bool_]]]:
    """A part as the bones that run side by side along the lesion, each with its surface points (mask over all points).

    Shin and calf bone hang together at an ankle, and beside the lesion are two.
    """
    mask = bones.labels == part.label
    index = np.argwhere(mask)
    along = (bones.grid.to_world(index) - zone.centre) @ part.axis
    half = zone.half_length(part.axis) + CONTACT_MARGIN_MM
    for reach in WINDOWS_MM:
        window = np.abs(along) < half + reach
        if not window.any():
            continue
        local = np.zeros(mask.shape, bool)
        local[tuple(index[window].T)] = True
        found, count = ndimage.label(local)
        if count < 2:
            continue
        kind = found[tuple(index[window].T)]
        sizes = np.bincount(kind, minlength=count + 1) * bones.grid.voxel_volume_mm3
        length = float(np.ptp(along[window]))
        large = [
            k
            for k in range(1, count + 1)
            if sizes[k] > LEAST_PIECE_MM3 and np.ptp(along[window][kind == k]) > SHARED_LENGTH * length
        ]
        if len(large) < 2:
            continue
        seeds = np.where(np.isin(found, large), found, 0)
        nearest = ndimage.distance_transform_edt(
            seeds == 0, sampling=bones.grid.spacing, return_distances=False, return_indices=True
        )
        owner = seeds[tuple(nearest)]
        cell = np.clip(np.rint(bones.grid.to_index(bones.points)).astype(int), 0, np.asarray(mask.shape) - 1)
        mine = owner[tuple(cell.T)]
        return [(mask & (owner == k), at & (mine == k)) for k in large]
    return [(mask, at)]
