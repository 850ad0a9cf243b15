"""Filled bone at full resolution near a point, parted from a lesion that touches it.

Numbers below without another source are own judgement, held against truth by ``scripts/validate``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import SimpleITK as sitk
from numpy.typing import NDArray
from scipy import ndimage

from ..base import Floats, Grid, Rigid, Volume, sample, to_sitk
from .around import shares_around
from .beneath import FAR_MM, BoneField, continued
from .bridge import CONTACT_MARGIN_MM, DistanceAt
from .field import signed_distance
from .parts import Bone
from .sheet import Continued
from .skeleton import Skeleton
from .sparse import with_sparse_bone
from .zone import LesionZone

MARGIN_MM = 12.0
SAME_SURFACE_MM = 3.0
"""A part whose surface mostly lies this close to the outline is the lesion."""
WHOLLY_INSIDE = 0.95
"""Share of its surface within or close to the outline from which a part counts as lying in the lesion whole."""
MOSTLY = 0.7
"""Share of its surface from which a part counts as lying on the lesion's outline, or by a lesion of unknown outline."""
LONGER = 2.6
"""A part longer than so many radii of the lesion is not the lesion."""
AROUND, AROUND_MM = 0.2, 3.0
"""Where the outline is unknown its surface lies within this share of the radius and so many mm more."""
HELD = 0.5
"""Share of the directions from the lesion's point in which a part lies that holds the point: half a shell does. Small
bones beside a lesion took up 0.32 at most, closed shells 0.75 and more (real hand; ``phantoms``)."""
OWN_SURFACE_MM = 1.5
"""Points farther than this from the border of the mask belong to what was taken off."""
BESIDE_BOX = 1.8
"""Radii of the box of interest within which surface points are kept."""
CUT_MM = 1.0
"""So far around its outline the lesion is cut out of a small bone."""
ONE_PART = 0.1
"""Share of the lesion that is labelled as a small bone from which the two are one part; what bone that is merely
touched gives up is less."""
MOSTLY_BONE = 0.5
"""... as a flat or large bone, which a lesion may reach deep into."""
SUB_VOXEL_MM = 2.0
"""Within this of the surface the distance is the sub-voxel one, beyond it counts voxels."""


@dataclass(frozen=True, eq=False)
class BoneNear:
    """Bone on the native voxels near a point.

    Attributes
    ----------
    volume : float32 box of the scan.
    mask : bool, bone with marrow, without the lesion.
    distance : float32 mm outside the bone surface, negative inside, sub-voxel near the surface; 60 where no bone is
        in view.
    points, normals : (N, 3) LPS mm on the outer surface and outward unit normals.
    bridged : (N,) bool, the contour was continued beneath the lesion there, not seen.
    note : plain words where the contour had to be continued, else empty.
    """

    volume: Volume
    mask: NDArray[np.bool_]
    distance: NDArray[np.float32]
    points: Floats
    normals: Floats
    bridged: NDArray[np.bool_]
    note: str = ""

    def distance_at(self, world: Floats) -> Floats:
        """mm outside bone at ``(..., 3)`` LPS points; 60 beyond the box."""
        return sample(self.distance, self.volume.grid, world, outside=FAR_MM)


def bone_mask_near(
    volume: Volume, centre_lps: Any, radius_mm: float, skeleton: Skeleton, **more: Any
) -> tuple[Volume, NDArray[np.bool_]]:
    """Box of the scan and filled bone in it; see :func:`bone_near`."""
    near = bone_near(volume, centre_lps, radius_mm, skeleton, **more)
    return near.volume, near.mask


def bone_surface_near(skeleton: Skeleton, centre_lps: Any, radius_mm: float) -> tuple[Floats, Floats]:
    """Sub-voxel points (N, 3) LPS mm on bone surfaces within a radius of a point, and outward unit normals."""
    near = np.linalg.norm(skeleton.points - np.asarray(centre_lps, float), axis=1) <= radius_mm
    return skeleton.points[near], skeleton.normals[near]


def bone_near(
    volume: Volume,
    centre_lps: Any,
    radius_mm: float,
    skeleton: Skeleton,
    *,
    lesion_point: Any = None,
    lesion_radius_mm: float = 0.0,
    lesion_surface: Any = None,
    carried: tuple[BoneNear, Rigid] | None = None,
) -> BoneNear:
    """Filled bone (cortex and marrow) on the native voxels near a point.

    The coarse bone surface is moved to the half maxima found on the full-resolution voxels. Where the lesion may
    touch the bone (``lesion_point``, ``lesion_radius_mm``, ``lesion_surface``) the bone's own contour is continued
    from the levels and angles without contact.

    Parameters
    ----------
    centre_lps, radius_mm : the box of interest.
    lesion_point, lesion_radius_mm : a point in the lesion and how far the lesion reaches from it.
    lesion_surface : (N, 3) LPS mm of its outline, where it is known; without it the lesion is taken for a ball.
    carried : bone as seen in another scan, and the motion from this scan to that one; used beneath the lesion.
    """
    crop = volume.around(np.asarray(centre_lps, float)[None], radius_mm)
    lesion = None if lesion_point is None else np.asarray(lesion_point, float)
    surface = None if lesion_surface is None else np.asarray(lesion_surface, float)
    zone = None if lesion is None else LesionZone(lesion, lesion_radius_mm, surface)
    parts = _bones_beside(skeleton, zone)
    box = _coarse_box(skeleton, crop.grid, lesion, lesion_radius_mm)
    grid = skeleton.grid.cropped(box)
    (a, b), (c, d), (e, f) = box
    labels = skeleton.labels[a:b, c:d, e:f]
    known = np.isin(skeleton.point_labels, [part.label for part in parts])
    points, normals = skeleton.points[known], skeleton.normals[known]
    owner = skeleton.point_labels[known]
    if zone is not None and zone.surface is not None:
        share = ONE_PART if skeleton.many_small else MOSTLY_BONE
        labels, whose = _cut_out(labels, grid, [part for part in parts if not part.tubular], zone, share)
        if whose:
            beside = (zone.apart(points, CUT_MM) > CUT_MM) | ~np.isin(owner, whose)
            points, normals, owner = points[beside], normals[beside], owner[beside]
    bones = BoneField(grid, labels, parts, points, owner)
    if not bones.inside.any():
        return _no_bone(crop)
    found = continued(bones, volume, crop, zone, None if carried is None else _seen_from(*carried))
    native, bridges, note = found.distance, found.bridges, found.note
    mask = native < 0
    if bridges and zone is not None:
        mask = _without_crumbs(mask, crop.grid, zone, CONTACT_MARGIN_MM + 3.0)
    distance = _far_and_near(mask, native, crop.grid)
    if zone is not None:
        mask, distance = with_sparse_bone(crop, mask, distance, zone)
    return _with_points(
        crop, mask, distance, points, normals, bridges=bridges, note=note, centre=centre_lps, radius_mm=radius_mm
    )


def _cut_out(
    labels: NDArray[np.int16], grid: Grid, parts: list[Bone], zone: LesionZone, share: float
) -> tuple[NDArray[np.int16], list[int]]:
    """Labels without what of the parts lies in the lesion's outline, and those of the parts that gave something up.

    A dense shell is one part with a small bone, or with a flat one. ``share`` of the lesion is the least to be cut out.
    """
    cut, whose = labels.copy(), []
    arms = np.linalg.norm(np.asarray(zone.surface) - zone.centre, axis=1)
    least = share * 4.0 / 3.0 * np.pi * float(np.mean(arms**3)) / grid.voxel_volume_mm3
    for part in parts:
        index = np.argwhere(labels == part.label)
        inside = zone.apart(grid.to_world(index), CUT_MM) < CUT_MM if len(index) else np.zeros(0, bool)
        if inside.sum() > least:
            cut[tuple(index[inside].T)] = 0
            whose.append(part.label)
    return cut, whose


def _no_bone(crop: Volume) -> BoneNear:
    nothing = np.zeros((0, 3))
    distance = np.full(crop.grid.shape, FAR_MM, np.float32)
    return BoneNear(crop, np.zeros(crop.grid.shape, bool), distance, nothing, nothing, np.zeros(0, bool))


def _seen_from(other: BoneNear, motion: Rigid) -> DistanceAt:
    """The distance to bone as another scan shows it, ``motion`` leading there."""

    def distance_at(world: Floats) -> Floats:
        return other.distance_at(motion.apply(world))

    return distance_at


def _bones_beside(skeleton: Skeleton, zone: LesionZone | None) -> list[Bone]:
    """The bones without those that are the lesion; among many small bones none is that does not hold its point."""
    if zone is None:
        return list(skeleton.bones)
    held = shares_around(skeleton, zone.centre) >= HELD if skeleton.many_small else None
    return [
        bone
        for bone in skeleton.bones
        if (held is not None and not held[bone.label]) or not _is_lesion(skeleton, bone, zone)
    ]


def _is_lesion(skeleton: Skeleton, bone: Bone, zone: LesionZone) -> bool:
    """A compact part that lies wholly around the lesion point is the lesion, whatever it looked like.

    Where the outline is known, so is a part of any shape whose surface is the lesion's, or that lies in it whole, as a
    long piece of a thick shell does.
    """
    own = skeleton.points[skeleton.point_labels == bone.label]
    if zone.surface is not None and len(own):
        apart = zone.apart(own, SAME_SURFACE_MM)
        if (np.abs(apart) < SAME_SURFACE_MM).mean() > MOSTLY or (apart < SAME_SURFACE_MM).mean() > WHOLLY_INSIDE:
            return True
    if bone.tubular or bone.extent_mm > LONGER * zone.radius:
        return False
    around = AROUND * zone.radius + AROUND_MM
    return bool(len(own) and (zone.apart(own, around) < around).mean() > MOSTLY)


def _coarse_box(skeleton: Skeleton, grid: Grid, lesion: Floats | None, radius: float) -> tuple[tuple[int, int], ...]:
    corners = grid.corners()
    if lesion is not None:
        corners = np.vstack([corners, lesion - radius - 70.0, lesion + radius + 70.0])
    return skeleton.grid.bounds_around(corners, MARGIN_MM)


def _without_crumbs(mask: NDArray[np.bool_], grid: Grid, zone: LesionZone, margin: float) -> NDArray[np.bool_]:
    """Drop what was left of the lesion: parts that lie wholly within its reach."""
    parts = sitk.GetArrayFromImage(sitk.ConnectedComponent(to_sitk(mask, grid)))
    keep = np.zeros(int(parts.max()) + 1, bool)
    for label, span in enumerate(ndimage.find_objects(parts), start=1):
        world = grid.to_world(np.argwhere(parts[span] == label) + [s.start for s in span])
        keep[label] = bool((zone.apart(world, margin) > margin).any())
    return np.asarray(keep[parts])


def _far_and_near(mask: NDArray[np.bool_], native: NDArray[np.float32], grid: Grid) -> NDArray[np.float32]:
    """Distance by voxels, and by the sub-voxel field next to the surface."""
    if not mask.any():
        return np.full(grid.shape, FAR_MM, np.float32)
    counted = signed_distance(mask, grid)
    near = (np.abs(counted) < SUB_VOXEL_MM) & (np.abs(native) < SUB_VOXEL_MM)
    return np.where(near, native, np.clip(counted, -FAR_MM, FAR_MM)).astype(np.float32)


def _with_points(
    crop: Volume,
    mask: NDArray[np.bool_],
    distance: NDArray[np.float32],
    points: Floats,
    normals: Floats,
    *,
    bridges: list[Continued],
    note: str,
    centre: Any,
    radius_mm: float,
) -> BoneNear:
    """Surface points in the box; those beneath the lesion replaced by the continued contour."""
    near = np.linalg.norm(points - np.asarray(centre, float), axis=1) <= radius_mm * BESIDE_BOX
    near &= crop.grid.contains(points)
    points, normals = points[near], normals[near]
    bridged = np.zeros(len(points), bool)
    for made in bridges:
        _, replaced = made.distance(points)
        points, normals, bridged = points[~replaced], normals[~replaced], bridged[~replaced]
        spots, ray, seen = made.spots()
        inside = crop.grid.contains(spots)
        points = np.vstack([points, spots[inside]])
        normals = np.vstack([normals, ray[inside]])
        bridged = np.concatenate([bridged, ~seen[inside]])
    # What is left on the lesion's own surface no longer borders the mask.
    own = np.abs(sample(distance, crop.grid, points)) < OWN_SURFACE_MM
    return BoneNear(crop, mask, distance, points[own], normals[own], bridged[own], note)
