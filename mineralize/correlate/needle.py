"""The lesion cut along the needle: outline, zones and path as lines in one plane, to be drawn."""

from __future__ import annotations

from typing import Any

import numpy as np

from ..base import Floats, anatomical_words
from .biopsy_site import Inside, depths
from .statements import Line, Section

MARGIN_MM = 4.0
POINTS_ACROSS = 80
"""Points of the lattice over the longer side; lines are smoother than they are drawn."""
TOLERANCE_MM = 0.15
_UP = np.array([0.0, 0.0, 1.0])
_BACK = np.array([0.0, 1.0, 0.0])
UPRIGHT, LEAST_ACROSS = 0.7, 0.3
"""Cosine to the body's axis from which a plane is an axial one, and sine between two directions that are one."""
MOST_OF_PATH_MM = 25.0
"""A longer way through healthy tissue is cut off at the drawing's edge."""


def draw_section(inside: Inside, entry: Any, target: Any) -> Section:
    """Cut the lesion by the plane that holds the path and its middle; a single point lies in an axial plane."""
    from skimage.measure import find_contours  # seldom needed, and long to load

    end = np.asarray(target, float)
    start = None if entry is None else np.asarray(entry, float)
    right, down = _axes(inside, start, end)
    corners = (inside.outline.vertices - end) @ np.stack([right, down], axis=1)
    shown = [corners, np.zeros((1, 2))]
    begin = None
    if start is not None:
        reach = float(np.linalg.norm(start - end))
        held = min(reach, _length_inside(inside, start, end) + MOST_OF_PATH_MM)
        begin = end + (start - end) * (held / max(reach, 1e-9))
        shown.append(((begin - end) @ np.stack([right, down], axis=1))[None])
    both = np.concatenate(shown)
    low, high = both.min(axis=0) - MARGIN_MM, both.max(axis=0) + MARGIN_MM
    step = float((high - low).max()) / POINTS_ACROSS
    u, v = (np.arange(low[k], high[k] + step, step) for k in (0, 1))
    lattice = end + u[None, :, None] * right + v[:, None, None] * down
    depth = depths(inside.outline, lattice.reshape(-1, 3)).reshape(lattice.shape[:2])

    def border(level: float) -> tuple[Line, ...]:
        lines = [line[:, ::-1] * step for line in find_contours(depth, level)]
        return tuple(_line(thinned(line, TOLERANCE_MM)) for line in lines if len(line) > 8)

    def place(point: Floats) -> tuple[float, float]:
        flat = (point - end) @ np.stack([right, down], axis=1) - low
        return float(flat[0]), float(flat[1])

    return Section(
        width_mm=float(len(u) - 1) * step,
        height_mm=float(len(v) - 1) * step,
        outline=border(0.0),
        intermediate=border(inside.rim_mm),
        central=border(inside.core_mm),
        entry=None if begin is None else place(begin),
        target=place(end),
        edges=(anatomical_words(-down), anatomical_words(right), anatomical_words(down), anatomical_words(-right)),
    )


def _axes(inside: Inside, start: Floats | None, end: Floats) -> tuple[Floats, Floats]:
    """Right and down of the drawing: the path runs along one of them as nearly as the body's own axes allow."""
    if start is None or np.linalg.norm(end - start) < 1e-6:
        return np.array([1.0, 0.0, 0.0]), _BACK
    along = (end - start) / np.linalg.norm(end - start)
    middle = inside.centroid - end
    across = middle - (middle @ along) * along
    if np.linalg.norm(across) < 1.0:  # the path runs through the middle: any plane will do, the axial one is familiar
        across = np.cross(along, _UP)
        if np.linalg.norm(across) < LEAST_ACROSS:
            across = np.cross(along, _BACK)
    across = across / np.linalg.norm(across)
    normal = np.cross(along, across)
    # turn the picture within its plane so that up, or else the front, lies as high as it can
    wanted = -_UP if abs(normal[2]) < UPRIGHT else _BACK
    down = wanted - (wanted @ normal) * normal
    down = down / np.linalg.norm(down)
    right = np.cross(down, normal)
    left_is_right = right if right[0] >= 0 or abs(right[0]) < 1e-9 else -right
    return left_is_right, down


def _length_inside(inside: Inside, start: Floats, end: Floats) -> float:
    """From the target back to where the path first meets the outline, mm."""
    steps = np.linspace(0.0, 1.0, 100)
    below = depths(inside.outline, start + steps[:, None] * (end - start)) >= 0
    first = int(np.argmax(below)) if below.any() else len(steps) - 1
    return float((1.0 - steps[first]) * np.linalg.norm(end - start))


def _line(points: Floats) -> Line:
    return tuple((float(x), float(y)) for x, y in points)


def thinned(line: Floats, tolerance: float) -> Floats:
    """Points (M, 2) of a line (N, 2) that keep it within ``tolerance``; both ends stay.

    Douglas and Peucker 1973, 10.3138/FM57-6770-U75U-7727. The same points as skimage's, whose door to this brings half
    a second of statistics with it.
    """
    kept = np.zeros(len(line), bool)
    kept[[0, -1]] = True
    open_ = [(0, len(line) - 1)]
    while open_:
        start, end = open_.pop()
        between, along = line[start + 1 : end], line[end] - line[start]
        if not len(between):
            continue
        length = float(along @ along)
        share = np.clip((between - line[start]) @ along / length, 0.0, 1.0) if length > 0 else np.zeros(len(between))
        away = np.linalg.norm(between - line[start] - share[:, None] * along, axis=1)
        farthest = start + 1 + int(np.argmax(away))
        if away.max() > tolerance:
            kept[farthest] = True
            open_ += [(farthest, end), (start, farthest)]
    return np.asarray(line[kept])
