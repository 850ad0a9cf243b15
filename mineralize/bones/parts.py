"""The parts of the skeleton: marrow filled, touching bones parted, and how much each part looks like bone.

Numbers below without another source are own judgement, held against truth by ``scripts/validate``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import SimpleITK as sitk
from numpy.typing import NDArray
from scipy import ndimage

from ..base import Floats, Grid, frozen, to_sitk
from .field import signed_distance

LARGEST_MARROW_MM2 = 3000.0
"""Largest hole in a section that is filled as marrow; a femoral head measures about 2000 mm2."""
DEEPEST_DISH_MM, LEAST_DISH_MM2 = 12.5, 300.0
"""A bowl whose ring is filled as marrow is no deeper: a sphere of 45 mm radius, cut at 3000 mm2, 12.3 mm. A narrower
ring than the second is that of a small bone or of a shaft; in a bowl it is filled half a millimetre deep."""
LONG_MM = 60.0
"""From this length an elongated part is taken for a bone."""
LEAST_CORE = 0.15
"""Share of the smallest bone that a core must have to grow back as a part of its own."""
LEAST_SIDE = 0.15
"""Share of all cores from which one may be a bone beside another."""
DEEPER_MM = (2.5, 4.0, 5.5)
"""Depths at which two long bones that touch are tried to be parted."""
SLIM = 2.5
"""Length over width from which a core is that of a long bone."""
LEAST_SHARED = 0.5
"""Share of the shorter one's length along which two lie side by side."""
LEAST_PAIR_MM3 = 20_000
"""A part smaller than this is not two long bones."""
SMALL_BONE_MM3 = 30_000
"""The bones of hand and foot are smaller, but for the heel (own judgement)."""
SMALL_BONE_DEPTH_MM = 3.3
"""Half the thickness, marrow filled, that such a bone has where it is thickest (3.3 or more in a real hand)."""
LARGE_MM3 = 50_000.0
"""A part this large that is no long bone is of a skull, a pelvis or a chest."""
ELONGATED = 2.0
"""Length over width from which a part is long."""
MANY_SMALL = 6
"""From so many small bones a scan shows a hand, a foot or the pieces of a joint (18 in a real hand, 10 at a real knee
whose joint the slices break up; a lesion in pieces showed 2)."""


@dataclass(frozen=True, eq=False)
class Bone:
    """One connected part of the skeleton.

    ``axis`` is the LPS unit vector of its longest extent, ``extent_mm`` the length along it, ``width_mm`` the
    equivalent diameter across; ``across`` (2, 3) are the directions of its larger and smaller width and
    ``half_widths`` half the extent in each. ``tubular`` parts are long and slim. ``likeness`` (0..1) says how much it
    resembles a bone rather than a mineralised lesion, ``reason`` why. ``core_hu`` is the median HU deeper than
    3 mm (NaN where nothing is that deep). ``depth_mm`` is how deep its deepest place lies, infinite where the part is
    too large for a small bone.
    """

    label: int
    volume_mm3: float
    centre: Floats
    axis: Floats
    extent_mm: float
    width_mm: float
    touches_ends: bool
    tubular: bool
    core_hu: float
    likeness: float
    reason: str
    across: Floats
    half_widths: tuple[float, float]
    depth_mm: float
    long: bool


def filled_bone(bone: NDArray[np.bool_], grid: Grid) -> NDArray[np.bool_]:
    """Bone with its marrow: holes of each plane up to a marrow's size, after closing thin cortex gaps."""
    closed = sitk.GetArrayFromImage(sitk.BinaryMorphologicalClosing(to_sitk(bone, grid), [1, 1, 1])) > 0
    filled = bone.copy()
    for axis in range(3):
        structure = np.zeros((3, 3, 3), bool)
        structure[1, 1, 1] = True
        for other in range(3):
            if other != axis:
                for step in (0, 2):
                    at = [1, 1, 1]
                    at[other] = step
                    structure[tuple(at)] = True
        area = grid.voxel_volume_mm3 / float(grid.spacing[axis])
        found, count = ndimage.label(~closed, structure=structure)
        if count == 0:
            continue
        areas = np.bincount(found.ravel(), minlength=count + 1) * area
        holes = areas <= LARGEST_MARROW_MM2
        holes[0] = False
        edges = [found.take(k, axis=other) for other in range(3) if other != axis for k in (0, -1)]
        holes[np.unique(np.concatenate([e.ravel() for e in edges]))] = False
        wide = holes & (areas >= LEAST_DISH_MM2)
        filled |= (holes & ~wide)[found]
        if wide.any():
            filled |= _without_dishes(wide[found], closed | holes[found], axis, grid)
    # The closing leaves a seam between cortex and filled marrow.
    seam = ndimage.binary_closing(filled, iterations=1)
    return np.asarray(filled | (seam & closed))


def _without_dishes(holes: NDArray[np.bool_], bone: NDArray[np.bool_], axis: int, grid: Grid) -> NDArray[np.bool_]:
    """Wide holes of the planes across ``axis`` without those that open like a dish: shallow, soft tissue before them.

    A plane that grazes a bowl, as a hip bone is, cuts a ring out of it; marrow goes on from plane to plane.
    """
    line = np.zeros((3, 3, 3), bool)
    line[tuple(slice(None) if a == axis else 1 for a in range(3))] = True
    runs, count = ndimage.label(holes, structure=line)
    if count == 0:
        return holes
    shallow = np.bincount(runs.ravel(), minlength=count + 1) * float(grid.spacing[axis]) <= DEEPEST_DISH_MM
    soft = ~(bone | holes)
    opens = np.zeros(count + 1, bool)
    along = [np.moveaxis(a, axis, 0) for a in (runs, soft)]
    opens[along[0][1:][along[1][:-1]]] = True
    opens[along[0][:-1][along[1][1:]]] = True
    kept = ~(shallow & opens)
    kept[0] = False
    return np.asarray(kept[runs])


def label_parts(mask: NDArray[np.bool_], grid: Grid, smallest_mm3: float) -> NDArray[np.int16]:
    """Parts that hang together by more than a thin bridge, largest first.

    Bones that touch at a joint, or a lesion that touches a bone, are parted where the contact is thin: the cores
    that an opening leaves are labelled and grow back into the mask.
    """
    image = to_sitk(mask, grid)
    opened = sitk.BinaryErode(image, [1, 1, 1], sitk.sitkCross, 0, 1)
    cores = sitk.GetArrayFromImage(sitk.ConnectedComponent(opened, False)).astype(np.int32)
    core_sizes = np.bincount(cores.ravel()) * grid.voxel_volume_mm3
    cores[(core_sizes < LEAST_CORE * smallest_mm3)[cores]] = 0
    grown = cores
    for _ in range(3):
        wider = ndimage.grey_dilation(grown, size=(3, 3, 3))
        grown = np.where((grown == 0) & mask, wider, grown)
    rest = sitk.GetArrayFromImage(sitk.ConnectedComponent(to_sitk(mask & (grown == 0), grid), True)).astype(np.int32)
    grown = np.where(rest > 0, rest + int(grown.max()), grown)
    grown = _part_parallel(grown, grid)
    sizes = np.bincount(grown.ravel()) * grid.voxel_volume_mm3
    sizes[0] = 0
    order = np.argsort(-sizes)
    table = np.zeros(len(sizes), np.int16)
    for rank, label in enumerate(order[: int((sizes >= smallest_mm3).sum())], start=1):
        table[label] = rank
    return table[grown]


def _part_parallel(labels: NDArray[np.int32], grid: Grid) -> NDArray[np.int32]:
    """Part two long bones that lie side by side and touch (forearm, lower leg): each keeps a core of its own."""
    following = int(labels.max()) + 1
    for label, span in enumerate(ndimage.find_objects(labels), start=1):
        if span is None:
            continue
        inside = labels[span] == label
        if inside.sum() * grid.voxel_volume_mm3 < LEAST_PAIR_MM3:
            continue
        part_grid = grid.cropped([(s.start, s.stop) for s in span])
        depth = -signed_distance(inside, part_grid)
        for deeper_mm in DEEPER_MM:
            cores = sitk.GetArrayFromImage(sitk.ConnectedComponent(to_sitk(depth > deeper_mm, part_grid)))
            sizes = np.bincount(cores.ravel())
            sizes[0] = 0
            large = np.flatnonzero(sizes > LEAST_SIDE * sizes.sum())
            if len(large) < 2 or not _side_by_side([part_grid.to_world(np.argwhere(cores == k)) for k in large]):
                continue
            kept = np.where(np.isin(cores, large), cores, 0)
            _, nearest = ndimage.distance_transform_edt(kept == 0, sampling=part_grid.spacing, return_indices=True)
            owner = kept[tuple(nearest)]
            view = labels[span]
            for core in large[1:]:
                view[inside & (owner == core)] = following
                following += 1
            break
    return labels


def _side_by_side(clouds: list[Floats]) -> bool:
    """Whether point clouds are all long and slim and share at least half of the shorter one's length."""
    spans = []
    axis = np.zeros(3)
    for cloud in clouds:
        if len(cloud) < 10:
            return False
        spread, vectors = np.linalg.eigh(np.cov(cloud.T))
        if np.sqrt(spread[2] / max(spread[1], 1e-6)) < SLIM:
            return False
        axis = vectors[:, 2] if not axis.any() else axis
        spans.append((float((cloud @ axis).min()), float((cloud @ axis).max())))
    shared = min(high for _, high in spans) - max(low for low, _ in spans)
    shortest = min(high - low for low, high in spans)
    return shortest >= LONG_MM / 2 and shared >= LEAST_SHARED * shortest


def describe(
    labels: NDArray[np.int16], coarse: NDArray[np.float32], grid: Grid, whole: Grid, box: tuple[slice, slice, slice]
) -> list[Bone]:
    """Properties and likeness of every part."""
    boxes = ndimage.find_objects(labels)
    drafts: list[dict[str, Any]] = []
    for label, span in enumerate(boxes, start=1):
        if span is None:
            continue
        inside = labels[span] == label
        index = np.argwhere(inside) + [s.start for s in span]
        world = grid.to_world(index)
        centre = world.mean(axis=0)
        spread, vectors = np.linalg.eigh(np.cov((world - centre).T) + 1e-6 * np.eye(3))
        axis = vectors[:, 2] * (1 if vectors[2, 2] >= 0 else -1)
        along = (world - centre) @ axis
        extent = float(np.ptp(along) + grid.spacing.mean())
        volume = len(index) * grid.voxel_volume_mm3
        deep = ndimage.binary_erosion(inside, iterations=2)
        at = index + [s.start for s in box]
        drafts.append(
            {
                "label": label,
                "volume_mm3": float(volume),
                "centre": frozen(centre),
                "axis": frozen(axis),
                "extent_mm": extent,
                "width_mm": float(2 * np.sqrt(volume / extent / np.pi)),
                "touches_ends": bool((at == 0).any() or (at >= np.asarray(whole.shape) - 1).any()),
                "core_hu": float(np.median(coarse[span][deep])) if deep.any() else float("nan"),
                "across": frozen(vectors[:, [1, 0]].T),
                "half_widths": tuple(float(v) for v in np.ptp((world - centre) @ vectors[:, [1, 0]], axis=0) / 2),
                "depth_mm": _depth(inside, grid) if volume < SMALL_BONE_MM3 else math.inf,
                "long": bool(extent >= LONG_MM and np.sqrt(spread[2] / max(spread[1], 1e-6)) >= ELONGATED),
                "ends": np.stack([world[np.argmin(along)], world[np.argmax(along)]]),
            }
        )
    crowd = _many_small([(d["volume_mm3"], d["depth_mm"], d["long"]) for d in drafts])
    return [_judge(draft, drafts, crowd) for draft in drafts]


def _depth(inside: NDArray[np.bool_], grid: Grid) -> float:
    """How deep (mm) the deepest voxel lies in a part."""
    return float(ndimage.distance_transform_edt(np.pad(inside, 1), sampling=grid.spacing).max())


def many_small(parts: Sequence[Bone]) -> bool:
    """Whether the parts are those of a hand, a foot or a joint in pieces, where a compact part is a bone.

    A skull or a pelvis comes in pieces too; it shows a large part that is no long bone.
    """
    return _many_small([(part.volume_mm3, part.depth_mm, part.long) for part in parts])


def _many_small(parts: Sequence[tuple[float, float, bool]]) -> bool:
    """The same from volumes (mm3), depths (mm) and whether each is long."""
    if any(volume >= LARGE_MM3 and not long for volume, _, long in parts):
        return False
    return sum(_small(volume, depth) for volume, depth, _ in parts) >= MANY_SMALL


def _small(volume_mm3: float, depth_mm: float) -> bool:
    return volume_mm3 < SMALL_BONE_MM3 and depth_mm >= SMALL_BONE_DEPTH_MM


def _judge(draft: dict[str, Any], all_parts: list[dict[str, Any]], crowd: bool) -> Bone:
    """Score how much a part looks like bone; ``crowd``: among many small bones. Steps: common practice, no source."""
    if draft["long"]:
        likeness, reason = 0.95, "long and slim"
    elif draft["volume_mm3"] >= 150_000:
        likeness, reason = 0.9, "larger than a lesion"
    elif draft["touches_ends"] and draft["volume_mm3"] >= 10_000:
        likeness, reason = 0.7, "runs through the end of the scan"
    elif draft["touches_ends"]:
        likeness, reason = 0.55, "small, cut by the end of the scan"
    elif _beside_a_joint(draft, all_parts):
        likeness, reason = 0.55, "small, beside the end of a bone"
    elif crowd and _small(draft["volume_mm3"], draft["depth_mm"]):
        likeness, reason = 0.55, "one of many small bones"
    else:
        likeness, reason = 0.2, "free and compact, away from any joint"
    names = ("long", "ends")
    plain = {key: value for key, value in draft.items() if key not in names}
    return Bone(
        **plain, long=draft["long"], tubular=draft["long"] and draft["width_mm"] < 60, likeness=likeness, reason=reason
    )


def _beside_a_joint(draft: dict[str, Any], all_parts: list[dict[str, Any]]) -> bool:
    reach = draft["width_mm"] / 2 + 25.0
    for other in all_parts:
        if other is draft or other["volume_mm3"] < 3 * draft["volume_mm3"] or other["extent_mm"] < LONG_MM:
            continue
        if not other["touches_ends"] or other["extent_mm"] > 3 * draft["extent_mm"]:
            for end in other["ends"]:
                if np.linalg.norm(end - draft["centre"]) < reach:
                    return True
    return False
