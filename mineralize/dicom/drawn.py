"""Regions and points that were drawn on a scan before: segmentations, contour sets, points of a report.

Names of segments and contours are free text and are neither kept nor printed. A region belongs to the scan with the
same Frame of Reference UID (PS3.3 C.7.4.1.1.1), and to no other.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydicom import dcmread
from pydicom.dataset import Dataset
from scipy import ndimage

from ..base import Floats, Grid
from .headers import DRAWN, Other
from .values import integer, items, number, numbers, quiet, spacing_pair, text, triple, unit_pair

LARGEST_PIXELS = 2**29
"""Pixels of one segmentation."""
OFF_GRID, MOST_SLOTS = 0.1, 5000
"""Share of a step by which a frame may lie off an even grid, and slices that such a grid has at most."""
LARGEST_DEPTH = 30
MOST_POINTS = 200_000


@dataclass(frozen=True, eq=False)
class Drawn:
    """One region or point.

    ``contours`` are closed polygons, (n, 3) LPS mm each; ``mask`` is boolean, (slices, rows, columns) on ``grid``; a
    mere point (LPS mm) has neither.
    """

    kind: str
    frame_of_reference: str
    point: tuple[float, float, float]
    contours: tuple[Floats, ...] = ()
    mask: NDArray[np.bool_] | None = None
    grid: Grid | None = None


def read_drawn(other: Other) -> list[Drawn]:
    """What one file offers; nothing when it is damaged or of an unknown kind."""
    try:
        with quiet():
            ds = dcmread(other.path, force=True)
            kind = DRAWN.get(other.sop_class) or {"SEG": "segmentation", "RTSTRUCT": "contour set"}.get(
                text(ds, "Modality").upper(), "measurement report"
            )
            if kind == "segmentation":
                return _segments(ds)
            return _contours(ds) if kind == "contour set" else _points(ds)
    except Exception:
        return []


def deepest(mask: NDArray[np.bool_], grid: Grid) -> tuple[float, float, float]:
    """LPS mm of the deepest point of a mask (slices, rows, columns): always inside, whatever its shape."""
    depth = ndimage.distance_transform_edt(np.pad(mask, 1), sampling=grid.spacing)[1:-1, 1:-1, 1:-1]
    x, y, z = grid.to_world(np.unravel_index(int(np.argmax(depth)), mask.shape))
    return float(x), float(y), float(z)


# --- segmentation (C.8.20) -------------------------------------------------------------------------------------


def _segments(ds: Dataset) -> list[Drawn]:
    frames = integer(ds, "NumberOfFrames") or 1
    rows, columns = integer(ds, "Rows") or 0, integer(ds, "Columns") or 0
    if not 0 < frames * rows * columns <= LARGEST_PIXELS or text(ds, "SegmentationType") not in (
        "BINARY",
        "FRACTIONAL",
    ):
        return []
    pixels = np.asarray(ds.pixel_array).reshape(frames, rows, columns)
    if text(ds, "SegmentationType") == "FRACTIONAL":
        pixels = pixels >= 0.5 * (number(ds, "MaximumFractionalValue") or 255)
    shared = (items(ds, "SharedFunctionalGroupsSequence") or [Dataset()])[0]
    planes: dict[int, list[tuple[Any, Any, Any, int]]] = {}
    for k, own in enumerate(items(ds, "PerFrameFunctionalGroupsSequence")[:frames]):

        def group(name: str, own: Dataset = own) -> Dataset:
            return ((items(own, name) or items(shared, name)) or [Dataset()])[0]

        segment = integer(group("SegmentIdentificationSequence"), "ReferencedSegmentNumber")
        position = triple(group("PlanePositionSequence"), "ImagePositionPatient")
        direction = unit_pair(numbers(group("PlaneOrientationSequence"), "ImageOrientationPatient"))
        spacing = spacing_pair(numbers(group("PixelMeasuresSequence"), "PixelSpacing"))
        if segment is not None and position and direction and spacing:
            planes.setdefault(segment, []).append((position, direction, spacing, k))
    found = []
    for some in planes.values():
        region = _stacked(some, pixels, text(ds, "FrameOfReferenceUID"))
        if region is not None:
            mask, grid = region
            found.append(Drawn("segmentation", grid.frame_of_reference, deepest(mask, grid), mask=mask, grid=grid))
    return found


def _stacked(
    planes: list[tuple[Any, Any, Any, int]], pixels: NDArray[Any], frame: str
) -> tuple[NDArray[np.bool_], Grid] | None:
    """Frames of one segment on a grid; empty slices between are filled in. ``None`` if the frames form no grid."""
    _, direction, spacing, _ = planes[0]
    across, down = np.array(direction[:3]), np.array(direction[3:])
    normal = np.cross(across, down)
    heights = np.array([np.dot(p[0], normal) for p in planes])
    low = planes[int(np.argmin(heights))]
    gaps = np.diff(np.unique(np.round(heights, 3)))
    step = float(gaps.min()) if len(gaps) else max(spacing)
    slots = (heights - heights.min()) / step
    if np.abs(slots - np.round(slots)).max() > OFF_GRID or slots.max() > MOST_SLOTS:
        return None
    grid = Grid.from_parts(
        (round(float(slots.max())) + 1, *pixels.shape[1:]),
        (step, *spacing),
        low[0],
        np.stack([normal, down, across], axis=1),
        frame,
    )
    mask = np.zeros(grid.shape, bool)
    for slot, plane in zip(np.round(slots).astype(int), planes, strict=True):
        mask[slot] |= pixels[plane[3]].astype(bool)
    return (mask, grid) if mask.any() else None


# --- contour set (C.8.8.6) ---------------------------------------------------------------------------------------


def _contours(ds: Dataset) -> list[Drawn]:
    frames = {
        integer(roi, "ROINumber"): text(roi, "ReferencedFrameOfReferenceUID")
        for roi in items(ds, "StructureSetROISequence")
    }
    found = []
    for roi in items(ds, "ROIContourSequence"):
        closed, single = [], []
        for contour in items(roi, "ContourSequence"):
            points = np.array(numbers(contour, "ContourData"), float)
            if points.size == 0 or points.size % 3 or points.size > 3 * MOST_POINTS:
                continue
            points = points.reshape(-1, 3)
            kind = text(contour, "ContourGeometricType").upper()
            if kind == "POINT" or len(points) == 1:
                single.append(points[0])
            elif kind.startswith("CLOSED") and len(points) > 2:
                closed.append(points)
        frame = frames.get(integer(roi, "ReferencedROINumber"), "")
        if closed:
            middle = np.concatenate(closed).mean(axis=0)
            found.append(Drawn("contour set", frame, _triple(middle), tuple(closed)))
        elif len(single) == 1:
            found.append(Drawn("contour set", frame, _triple(single[0])))
    return found


# --- report (A.35.13, SCOORD3D C.18.9) -----------------------------------------------------------------------------


def _points(ds: Dataset) -> list[Drawn]:
    found = []
    for item in _walk(ds, 0):
        if text(item, "ValueType").upper() != "SCOORD3D":
            continue
        data = np.array(numbers(item, "GraphicData"), float)
        if data.size and data.size % 3 == 0 and data.size <= 3 * MOST_POINTS:
            frame = text(item, "ReferencedFrameOfReferenceUID")
            found.append(Drawn("measurement report", frame, _triple(data.reshape(-1, 3).mean(axis=0))))
    return found


def _walk(ds: Dataset, depth: int) -> Iterator[Dataset]:
    if depth > LARGEST_DEPTH:
        return
    for item in items(ds, "ContentSequence"):
        yield item
        yield from _walk(item, depth + 1)


def _triple(point: Any) -> tuple[float, float, float]:
    x, y, z = (float(v) for v in point)
    return x, y, z


# --- on the grid of a scan -----------------------------------------------------------------------------------------


def region_on(drawn: Drawn, grid: Grid) -> tuple[NDArray[np.bool_], Grid] | None:
    """The region as a mask (slices, rows, columns) on a part of the scan's own grid, and that part (LPS mm).

    ``None`` for a point, or if nothing of it lies inside.
    """
    if drawn.contours:
        corners = np.concatenate(drawn.contours)
    elif drawn.mask is not None and drawn.grid is not None:
        corners = drawn.grid.to_world(np.argwhere(drawn.mask))
    else:
        return None
    if not grid.contains(corners, -float(grid.spacing.max())).any():
        return None
    part = grid.cropped(grid.bounds_around(corners, float(grid.spacing.max())))
    if drawn.contours:
        mask = _filled(drawn.contours, part)
    else:
        assert drawn.grid is not None
        assert drawn.mask is not None
        index = np.round(drawn.grid.to_index(part.world_of_all())).astype(int)
        inside = ((index >= 0) & (index < drawn.mask.shape)).all(axis=-1)
        mask = np.zeros(part.shape, bool)
        mask[inside] = drawn.mask[tuple(index[inside].T)]
    return (mask, part) if mask.any() else None


def _filled(contours: tuple[Floats, ...], grid: Grid) -> NDArray[np.bool_]:
    """Polygons filled slice by slice; a polygon inside another one is a hole (C.8.8.6.3)."""
    mask = np.zeros(grid.shape, bool)
    for contour in contours:
        index = grid.to_index(contour)
        slot = round(float(index[:, 0].mean()))
        if 0 <= slot < grid.shape[0] and np.ptp(index[:, 0]) < 0.5:
            mask[slot] ^= _polygon(index[:, 1:], (grid.shape[1], grid.shape[2]))
    return mask


def _polygon(corners: Floats, shape: tuple[int, int]) -> NDArray[np.bool_]:
    """Pixels whose centre lies inside a polygon (row, column), by the even-odd rule along each row."""
    (r0, c0), (r1, c1) = corners.T, np.roll(corners, -1, axis=0).T
    rows = np.arange(shape[0])[:, None]
    row, edge = np.nonzero((r0 <= rows) != (r1 <= rows))
    crossing = c0[edge] + (row - r0[edge]) / (r1[edge] - r0[edge]) * (c1[edge] - c0[edge])
    toggles = np.zeros((shape[0], shape[1] + 1), np.int32)
    np.add.at(toggles, (row, np.clip(np.ceil(crossing), 0, shape[1]).astype(int)), 1)
    inside: NDArray[np.bool_] = (np.cumsum(toggles, axis=1)[:, :-1] % 2).astype(bool)
    return inside
