"""The bones of one scan: where they are, what each looks like, and points on their outer surface.

Everything coarse is done on block means of about 1.5 mm, which tames noise and sharp kernels; the surface points
are then moved to the half maximum of the cortex on the full-resolution voxels. A half maximum between the local
cortex and the local tissue outside does not depend on the tube voltage, which a fixed threshold does
(Prevrhal 1999, 10.1088/0031-9155/44/3/017: the half maximum places an edge without bias while the cortex is
wider than the blur).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import SimpleITK as sitk
from numpy.typing import NDArray
from scipy import ndimage

from .geometry import Floats, Grid, frozen, to_sitk
from .scan import Volume
from .settings import AlignSettings

COARSE_MM = 1.5
"""Wanted voxel size of the coarse images."""
BODY_HU = -300.0
"""Between air and fat; pads and table tops lie below it or are thin."""
SMALLEST_BODY_SHARE = 0.1
"""A second limb counts as body from this share of the largest part."""
LARGEST_MARROW_MM2 = 3000.0
"""Largest hole in a section that is filled as marrow; a femoral head measures about 2000 mm2."""
LONG_MM = 60.0
"""From this length an elongated part is taken for a bone."""
BONE_LIKE = 0.5
"""Likeness from which a part counts as bone."""
MOST_POINTS = 40_000
"""Surface points kept per scan."""
LEAST_CONTRAST_HU = 150.0
"""Cortex minus tissue outside that a surface point needs."""


@dataclass(frozen=True, eq=False)
class Bone:
    """One connected part of the skeleton.

    ``axis`` is the LPS unit vector of its longest extent, ``extent_mm`` the length along it, ``width_mm`` the
    equivalent diameter across; ``across`` (2, 3) are the directions of its larger and smaller width and
    ``half_widths`` half the extent in each. ``tubular`` parts are long and slim. ``likeness`` (0..1) says how much it
    resembles a bone rather than a mineralised lesion, ``reason`` why. ``core_hu`` is the median HU deeper than
    3 mm (NaN where nothing is that deep).
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


@dataclass(frozen=True, eq=False)
class Skeleton:
    """The bones of one scan.

    Attributes
    ----------
    grid : coarse grid of ``labels`` and ``body``.
    labels : int16, 0 outside, else the label of a part in ``bones`` or ``doubtful``; marrow is filled.
    body : bool, the patient without table and pad.
    bones, doubtful : parts taken for bone, largest first, and mineralised parts that are not.
    points, normals : (N, 3) LPS mm at the outer half maximum, and outward unit normals; bones only.
    point_labels : (N,) int, the bone of each point.
    contrast : (N,) HU, cortex peak minus tissue just outside.
    scan_grid : grid of the scan itself.
    """

    grid: Grid
    labels: NDArray[np.int16]
    body: NDArray[np.bool_]
    bones: tuple[Bone, ...]
    doubtful: tuple[Bone, ...]
    points: Floats
    normals: Floats
    point_labels: NDArray[np.int16]
    contrast: Floats
    scan_grid: Grid

    @cached_property
    def mask(self) -> NDArray[np.bool_]:
        """Coarse mask of all bones."""
        return np.isin(self.labels, [bone.label for bone in self.bones])

    def bone(self, label: int) -> Bone:
        """The part of that label."""
        return next(part for part in self.bones + self.doubtful if part.label == label)

    def label_at(self, point: Any) -> int:
        """Label at an LPS point, 0 outside."""
        index = np.rint(self.grid.to_index(point)).astype(int)
        if (index < 0).any() or (index >= self.grid.shape).any():
            return 0
        return int(self.labels[tuple(index)])

    def nearest_bone(self, point: Any, apart_mm: float = 0.0) -> tuple[Bone, float] | None:
        """The bone whose surface comes nearest to an LPS point, and that distance in mm.

        Surface points closer than ``apart_mm`` to the point are passed over.
        """
        if not len(self.points):
            return None
        distance = np.linalg.norm(self.points - np.asarray(point, float), axis=1)
        distance[distance < apart_mm] = np.inf
        nearest = int(np.argmin(distance))
        if not np.isfinite(distance[nearest]):
            return None
        return self.bone(int(self.point_labels[nearest])), float(distance[nearest])


def block_mean(volume: Volume, target_mm: float = COARSE_MM) -> tuple[NDArray[np.float32], Grid]:
    """Means over blocks of whole voxels of about ``target_mm``; a last incomplete block is left out."""
    factors = np.maximum(1, np.rint(target_mm / volume.grid.spacing + 0.1).astype(int))
    factors = np.minimum(factors, volume.grid.shape)
    shape = np.asarray(volume.grid.shape) // factors
    fs, fr, fc = (int(f) for f in factors)
    ns, nr, nc = (int(n) for n in shape)
    coarse = np.empty((ns, nr, nc), np.float32)
    exact = np.int32 if volume.hu.dtype == np.int16 else np.float32
    for k in range(ns):
        slab = volume.hu[k * fs : (k + 1) * fs, : nr * fr, : nc * fc].sum(axis=0, dtype=exact)
        rows = slab.reshape(nr, fr, nc * fc).sum(axis=1)
        block = rows[:, 0::fc].astype(exact)
        for c in range(1, fc):
            block += rows[:, c::fc]
        coarse[k] = block
    coarse /= fs * fr * fc
    grid = volume.grid
    origin = grid.to_world((factors - 1) / 2)
    return coarse, Grid.from_parts(
        coarse.shape, (grid.spacing * factors).tolist(), origin.tolist(), grid.directions, grid.frame_of_reference
    )


def find_skeleton(volume: Volume, settings: AlignSettings) -> Skeleton:
    """Find the bones of a scan and points on their surface.

    Parameters
    ----------
    volume : the scan, any dtype; not copied.
    settings : bone threshold and smallest part.
    """
    coarse, grid = block_mean(volume)
    body = body_mask(coarse, grid)
    bone = (coarse > settings.bone_hu) & body
    labels = np.zeros(grid.shape, np.int16)
    box = _bounding_box(bone, margin=4)
    parts: list[Bone] = []
    if box is not None:
        part_grid = grid.cropped([(s.start, s.stop) for s in box])
        inner = _label_parts(_filled(bone[box], part_grid), part_grid, settings.smallest_bone_mm3)
        labels[box] = inner
        parts = _describe(inner, coarse[box], part_grid, grid, box)
    bones = tuple(part for part in parts if part.likeness >= BONE_LIKE)
    doubtful = tuple(part for part in parts if part.likeness < BONE_LIKE)
    points, normals, owner, contrast = _surface(volume, labels, grid, [b.label for b in bones])
    labels.flags.writeable = body.flags.writeable = False
    return Skeleton(grid, labels, body, bones, doubtful, points, normals, owner, contrast, volume.grid)


def body_mask(coarse: NDArray[np.float32], grid: Grid) -> NDArray[np.bool_]:
    """The patient on a coarse grid, without table and pad.

    Above -300 HU, opened by 3 mm so that table shells and skin contacts part, then the largest part and others
    of at least a tenth of it (a second limb) that hold bone.
    """
    image = to_sitk(coarse > BODY_HU, grid)
    radius = [max(1, round(3.0 / float(s))) for s in grid.spacing[::-1]]
    padded = sitk.ConstantPad(image, radius, radius, 1)
    opened = sitk.BinaryErode(padded, radius, sitk.sitkBall, 0, 1)
    opened = sitk.BinaryDilate(opened, radius, sitk.sitkBall, 0, 1)
    opened = sitk.Crop(opened, radius, radius)
    parts = sitk.GetArrayFromImage(sitk.ConnectedComponent(opened))
    sizes = np.bincount(parts.ravel())
    if len(sizes) < 2:
        return np.ones(grid.shape, bool)
    sizes[0] = 0
    with_bone = np.bincount(parts[coarse > 200.0], minlength=len(sizes)) * grid.voxel_volume_mm3 > 800.0
    keep = (sizes >= SMALLEST_BODY_SHARE * sizes.max()) & with_bone
    keep[int(np.argmax(sizes))] = True
    # The opening rounds off what is thin, such as fingers: give back what lies next to a kept part.
    near = sitk.BinaryDilate(to_sitk(keep[parts], grid), radius, sitk.sitkBall, 0, 1)
    return np.asarray((sitk.GetArrayFromImage(near) > 0) & (coarse > BODY_HU))


def _bounding_box(mask: NDArray[np.bool_], margin: int) -> tuple[slice, slice, slice] | None:
    if not mask.any():
        return None
    spans = []
    for axis in range(3):
        others = tuple(a for a in range(3) if a != axis)
        hit = np.flatnonzero(mask.any(axis=others))
        spans.append(slice(max(int(hit[0]) - margin, 0), min(int(hit[-1]) + margin + 1, mask.shape[axis])))
    return spans[0], spans[1], spans[2]


def _filled(bone: NDArray[np.bool_], grid: Grid) -> NDArray[np.bool_]:
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
        holes = np.bincount(found.ravel(), minlength=count + 1) * area <= LARGEST_MARROW_MM2
        holes[0] = False
        edges = [found.take(k, axis=other) for other in range(3) if other != axis for k in (0, -1)]
        holes[np.unique(np.concatenate([e.ravel() for e in edges]))] = False
        filled |= holes[found]
    # The closing leaves a seam between cortex and filled marrow.
    seam = ndimage.binary_closing(filled, iterations=1)
    return np.asarray(filled | (seam & closed))


def _label_parts(mask: NDArray[np.bool_], grid: Grid, smallest_mm3: float) -> NDArray[np.int16]:
    """Parts that hang together by more than a thin bridge, largest first.

    Bones that touch at a joint, or a lesion that touches a bone, are parted where the contact is thin: the cores
    that an opening leaves are labelled and grow back into the mask.
    """
    image = to_sitk(mask, grid)
    opened = sitk.BinaryErode(image, [1, 1, 1], sitk.sitkCross, 0, 1)
    cores = sitk.GetArrayFromImage(sitk.ConnectedComponent(opened, False)).astype(np.int32)
    core_sizes = np.bincount(cores.ravel()) * grid.voxel_volume_mm3
    cores[(core_sizes < 0.15 * smallest_mm3)[cores]] = 0
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
        if inside.sum() * grid.voxel_volume_mm3 < 20_000:
            continue
        part_grid = grid.cropped([(s.start, s.stop) for s in span])
        depth = -signed_distance(inside, part_grid)
        for deeper_mm in (2.5, 4.0, 5.5):
            cores = sitk.GetArrayFromImage(sitk.ConnectedComponent(to_sitk(depth > deeper_mm, part_grid)))
            sizes = np.bincount(cores.ravel())
            sizes[0] = 0
            large = np.flatnonzero(sizes > 0.15 * sizes.sum())
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
        spread, vectors = np.linalg.eigh(np.cov(cloud.T))
        if np.sqrt(spread[2] / max(spread[1], 1e-6)) < 2.5:
            return False
        axis = vectors[:, 2] if not axis.any() else axis
        spans.append((float((cloud @ axis).min()), float((cloud @ axis).max())))
    shared = min(high for _, high in spans) - max(low for low, _ in spans)
    shortest = min(high - low for low, high in spans)
    return shortest >= LONG_MM / 2 and shared >= 0.5 * shortest


def _describe(
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
                "elongation": float(np.sqrt(spread[2] / max(spread[1], 1e-6))),
                "ends": np.stack([world[np.argmin(along)], world[np.argmax(along)]]),
            }
        )
    return [_judge(draft, drafts) for draft in drafts]


def _judge(draft: dict[str, Any], all_parts: list[dict[str, Any]]) -> Bone:
    """Score how much a part looks like bone. Likeness steps: common practice, no source."""
    long = draft["extent_mm"] >= LONG_MM and draft["elongation"] >= 2.0
    if long:
        likeness, reason = 0.95, "long and slim"
    elif draft["volume_mm3"] >= 150_000:
        likeness, reason = 0.9, "larger than a lesion"
    elif draft["touches_ends"] and draft["volume_mm3"] >= 10_000:
        likeness, reason = 0.7, "runs through the end of the scan"
    elif draft["touches_ends"]:
        likeness, reason = 0.55, "small, cut by the end of the scan"
    elif _beside_a_joint(draft, all_parts):
        likeness, reason = 0.55, "small, beside the end of a bone"
    else:
        likeness, reason = 0.2, "free and compact, away from any joint"
    names = ("elongation", "ends")
    plain = {key: value for key, value in draft.items() if key not in names}
    return Bone(**plain, tubular=long and draft["width_mm"] < 60, likeness=likeness, reason=reason)


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


def _surface(
    volume: Volume, labels: NDArray[np.int16], grid: Grid, wanted: list[int]
) -> tuple[Floats, Floats, NDArray[np.int16], Floats]:
    """Points at the outer half maximum, outward normals, labels and contrast of the wanted parts."""
    empty = np.zeros((0, 3)), np.zeros((0, 3)), np.zeros(0, np.int16), np.zeros(0)
    mask = np.isin(labels, wanted) & (labels > 0)
    box = _bounding_box(mask, margin=4)
    if box is None:
        return empty
    part_grid = grid.cropped([(s.start, s.stop) for s in box])
    distance = signed_distance(mask[box], part_grid)
    smooth = ndimage.gaussian_filter(distance, 0.8)
    step = float(grid.spacing.mean())
    band = np.abs(smooth) < 0.55 * step
    index = np.argwhere(band)
    if len(index) > MOST_POINTS:
        index = index[np.random.default_rng(7).permutation(len(index))[:MOST_POINTS]]
    points = part_grid.to_world(index)
    for _ in range(2):
        value, normals = field_and_normal(smooth, part_grid, points)
        points = points - value[:, None] * normals
    _, normals = field_and_normal(smooth, part_grid, points)
    shift, contrast = half_maximum(volume, points, normals)
    keep = np.isfinite(shift)
    moved = points[keep] + shift[keep, None] * normals[keep]
    inward = points[keep] - step * normals[keep]
    nearest = np.clip(np.rint(part_grid.to_index(inward)).astype(int), 0, np.asarray(part_grid.shape) - 1)
    local = ndimage.maximum_filter(np.where(mask[box], labels[box], 0), size=3)
    owner = local[tuple(nearest.T)]
    sure = owner > 0
    return frozen(moved[sure]), frozen(normals[keep][sure]), frozen(owner[sure]), frozen(contrast[keep][sure])


def signed_distance(mask: NDArray[np.bool_], grid: Grid) -> NDArray[np.float32]:
    """Signed distance in mm to the border of a mask, negative inside (Maurer 2003, 10.1109/TPAMI.2003.1177156)."""
    result = sitk.SignedMaurerDistanceMap(to_sitk(mask, grid), False, False, True)
    return np.asarray(sitk.GetArrayFromImage(result), np.float32)


def sub_voxel_field(inside: NDArray[np.bool_], grid: Grid, points: Floats) -> NDArray[np.float32]:
    """Coarse signed distance, moved so that its zero passes through the half-maximum points."""
    field = ndimage.gaussian_filter(signed_distance(inside, grid), 0.6)
    for _ in range(2):
        index = grid.to_index(points)
        keep = ((index > 0) & (index < np.asarray(grid.shape) - 1)).all(axis=1)
        error = ndimage.map_coordinates(field, index[keep].T, order=1)
        good = np.abs(error) < 3.5
        cell = np.rint(index[keep][good]).astype(int)
        flat = np.ravel_multi_index(tuple(cell.T), grid.shape)
        size = int(np.prod(grid.shape))
        total = np.bincount(flat, weights=error[good], minlength=size).reshape(grid.shape).astype(np.float32)
        count = np.bincount(flat, minlength=size).reshape(grid.shape).astype(np.float32)
        top = ndimage.gaussian_filter(total, 0.9, truncate=3.5)
        bottom = ndimage.gaussian_filter(count, 0.9, truncate=3.5)
        field = field - np.where(bottom > 1e-3, top / np.maximum(bottom, 1e-3), 0.0).astype(np.float32)
    return np.asarray(field, np.float32)


def field_and_normal(field: NDArray[np.float32], grid: Grid, points: Floats) -> tuple[Floats, Floats]:
    """Value of a distance field at LPS points and the unit vector of its gradient, outward."""
    index = grid.to_index(points).T
    value = ndimage.map_coordinates(field, index, order=1, mode="nearest")
    gradient = np.empty_like(points)
    for axis in range(3):
        ahead, behind = index.copy(), index.copy()
        ahead[axis] += 0.75
        behind[axis] -= 0.75
        rise = ndimage.map_coordinates(field, ahead, order=1, mode="nearest")
        rise -= ndimage.map_coordinates(field, behind, order=1, mode="nearest")
        gradient[:, axis] = rise / (1.5 * grid.spacing[axis])
    length = np.linalg.norm(gradient, axis=1, keepdims=True)
    return value, (gradient / np.maximum(length, 1e-6)) @ grid.directions.T


def half_maximum(
    volume: Volume, points: Floats, normals: Floats, reach_mm: float = 4.5, step_mm: float = 0.5
) -> tuple[Floats, Floats]:
    """Where the profile along the outward normal falls to half between cortex and the tissue outside.

    Returns
    -------
    shift : (N,) mm along the normal, NaN where there is no clear edge.
    contrast : (N,) HU, cortex peak minus the lowest value outside it.
    """
    offsets = np.arange(-reach_mm, reach_mm + 1e-6, step_mm)
    world = points[:, None, :] + offsets[:, None] * normals[:, None, :]
    index = volume.grid.to_index(world.reshape(-1, 3))
    last = np.asarray(volume.grid.shape, float) - 1
    inside = ((index >= -0.5) & (index <= last + 0.5)).all(axis=1).reshape(len(points), -1)
    values = ndimage.map_coordinates(volume.hu, index.T, order=1, mode="nearest", output=np.float32)
    values = values.reshape(len(points), -1)
    row = np.arange(len(points))
    near = (offsets >= -3.0) & (offsets <= 1.5)
    top = np.argmax(np.where(near, values, -np.inf), axis=1)
    peak = values[row, top]
    beyond = np.arange(len(offsets)) >= top[:, None]
    gentle = values.copy()
    gentle[:, 1:-1] = (values[:, :-2] + 2 * values[:, 1:-1] + values[:, 2:]) / 4
    low = np.where(beyond, gentle, np.inf).min(axis=1)
    half = (peak + low) / 2
    below = beyond & (values < half[:, None])
    first = np.argmax(below, axis=1)
    found = below.any(axis=1) & (first > 0) & inside.all(axis=1) & (peak - low >= LEAST_CONTRAST_HU)
    # Padding outside the reconstruction circle makes a false edge.
    found &= values.min(axis=1) > -1015.0
    before = np.maximum(first - 1, 0)
    a, b = values[row, before], values[row, first]
    part = np.clip((a - half) / np.where(a > b, a - b, 1.0), 0, 1)
    shift = offsets[before] + part * step_mm
    found &= np.abs(shift) <= 3.5
    return np.where(found, shift, np.nan), peak - low
