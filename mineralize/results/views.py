"""The same plane through the lesion in every scan: where it lies, and its picture with the outline's trace.

For looking at, never for measuring: values are interpolated from native voxels.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.spatial import cKDTree

from ..base import Floats, Rigid
from ..lesion import Outline
from ..study import Study

WINDOW_HU = (-200.0, 1000.0)
"""The mineral window: shows muscle, a young and a dense shell apart (common practice, no source)."""
SOFT_WINDOW_HU = (-160.0, 240.0)
"""The soft-tissue window, 400 HU wide about 40 HU: shows fat, muscle and oedema apart (common practice, no source)."""
PIXELS = 384
MARGIN_MM = 14.0
SMALLEST_FIELD_MM = 60.0
BRIDGED_BELOW = 0.5
"""An outline vertex with less support than this was bridged by its neighbours."""
FAR_FROM_SEEN_MM = 8.0
"""Farther than this from any edge that was seen an outline is no bridge but a guess (own judgement)."""
SEEN, SOFT, BRIDGED, UNSEEN = "", "soft", "bridged", "unseen"
"""How a stretch of outline is known: an edge in the image; a soft margin as a whole; neighbours; nothing near it."""

_LEFT, _BACK, _UP = np.eye(3)
AXES: dict[str, tuple[Floats, Floats]] = {
    "axial": (_LEFT, _BACK),
    "coronal": (_LEFT, -_UP),
    "sagittal": (_BACK, -_UP),
}
"""Directions (LPS) of a picture's right and of its lower edge."""
EDGES = {"axial": ("A", "L", "P", "R"), "coronal": ("S", "L", "I", "R"), "sagittal": ("S", "P", "I", "A")}
"""Letters at the top, right, bottom and left edge."""


@dataclass(frozen=True, eq=False)
class Plane:
    """A plane in LPS mm of the reference scan; ``right`` and ``down`` are unit vectors along the picture, all (3,)."""

    name: str
    centre: Floats
    right: Floats
    down: Floats


@dataclass(frozen=True, eq=False)
class ViewPlan:
    """What all pictures of a study share: planes, field of view, both windows, scale bar."""

    planes: tuple[Plane, ...]
    field_mm: float
    scale_mm: float
    window_hu: tuple[float, float]
    soft_window_hu: tuple[float, float] = SOFT_WINDOW_HU


@dataclass(frozen=True, eq=False)
class View:
    """One picture.

    ``hu`` is (pixels, pixels) in HU, NaN outside the scan, or ``None`` where there is nothing to show; ``traces`` are
    polylines (n, 2) in mm from the upper left corner, each with how it is known: :data:`SEEN` (which is false),
    :data:`SOFT`, :data:`BRIDGED` or :data:`UNSEEN`. ``sites`` are biopsy sites near the plane, with name and place in
    mm; ``paths`` the stretches of a needle's path near the plane, with name, zone and ends in mm.
    ``matched`` is false where the plane is the scan's own axial plane instead of the carried one.
    """

    scan: int
    plane: str
    hu: Floats | None
    traces: tuple[tuple[Floats, str], ...]
    matched: bool
    reason: str
    sites: tuple[tuple[str, Floats], ...] = ()
    paths: tuple[tuple[str, str, Floats], ...] = ()


NEAR_PLANE_MM = 4.0
"""A biopsy site this close to a plane is marked in its picture."""


def _trusted(study: Study, index: int) -> bool:
    alignment = study.alignments[index]
    return alignment.scan == study.reference_scan or alignment.trust != "withheld"


def plan(study: Study) -> ViewPlan | None:
    """Planes through the lesion for all scans of a study; ``None`` where no scan has an outline."""
    to_reference: list[Floats] = []
    own: list[Floats] = []
    for index, outline in enumerate(study.outlines):
        if outline is None:
            continue
        own.append(np.asarray(outline.vertices))
        if _trusted(study, index):
            to_reference.append(study.alignments[index].transform.apply(outline.vertices))
    if not own:
        return None
    shapes = to_reference or own[:1]
    centre = np.mean([s.mean(axis=0) for s in shapes], axis=0)
    reach = max(float(np.abs(s - centre).max()) for s in shapes)
    alone = max(float(np.abs(s - s.mean(axis=0)).max()) for s in own)
    field = max(SMALLEST_FIELD_MM, 2 * (max(reach, alone) + MARGIN_MM))
    field = float(np.ceil(field / 10) * 10)
    extent = np.mean([np.ptp(s, axis=0) for s in shapes], axis=0)
    second = "coronal" if extent[0] >= extent[1] else "sagittal"
    planes = tuple(Plane(name, centre, *AXES[name]) for name in ("axial", second))
    scale = next(s for s in (50.0, 20.0, 10.0, 5.0) if s <= field / 3)
    return ViewPlan(planes, field, scale, WINDOW_HU)


def view(study: Study, layout: ViewPlan, plane: Plane, scan_number: int, pixels: int = PIXELS) -> View:
    """The picture of ``plane`` in one scan: carried by the alignment, or the scan's own plane where it is withheld.

    ``pixels`` on each side; ``SeriesError`` where voxels are read again and cannot be.
    """
    index = next(i for i, s in enumerate(study.timeline.scans) if s.number == scan_number)
    scan, outline, alignment = study.timeline.scans[index], study.outlines[index], study.alignments[index]
    matched = _trusted(study, index)
    reason = ""
    if matched:
        back = Rigid.identity() if scan_number == study.reference_scan else alignment.transform.inverse()
        centre, right, down = back.apply(plane.centre), back.turn(plane.right), back.turn(plane.down)
        if alignment.trust == "caution":
            reason = alignment.reason
    else:
        reason = alignment.reason
        if outline is None:
            return View(scan_number, plane.name, None, (), False, reason)
        centre, (right, down) = np.asarray(outline.vertices).mean(axis=0), AXES[plane.name]
    points = plane_points(centre, right, down, layout.field_mm, pixels)
    hu = scan.volume.sample(points)
    scan.volume.rest()
    if not np.isfinite(hu).any():
        return View(scan_number, plane.name, None, (), matched, reason)
    traces: tuple[tuple[Floats, str], ...] = ()
    if outline is not None:
        kinds = how_known(outline)
        traces = trace(outline.vertices, outline.faces, kinds, centre, right, down=down, field_mm=layout.field_mm)
    sites = _sites(study, scan_number, centre, right, down, field_mm=layout.field_mm)
    paths = _paths(study, scan_number, centre, right, down, field_mm=layout.field_mm)
    return View(scan_number, plane.name, hu, traces, matched, reason, sites, paths)


def how_known(outline: Outline) -> list[str]:
    """How each vertex of an outline is known (see :class:`View`)."""
    vertices, supported = np.asarray(outline.vertices), np.asarray(outline.supported)
    if outline.method == "mass margin":
        return [SOFT] * len(vertices)
    seen = supported >= BRIDGED_BELOW
    if not seen.any():
        return [UNSEEN] * len(vertices)
    away, _ = cKDTree(vertices[seen]).query(vertices)
    return [SEEN if s else UNSEEN if d > FAR_FROM_SEEN_MM else BRIDGED for s, d in zip(seen, away, strict=True)]


def _sites(
    study: Study, scan_number: int, centre: Floats, right: Floats, down: Floats, *, field_mm: float
) -> tuple[tuple[str, Floats], ...]:
    found = []
    for report in study.biopsy_reports:
        for site in (report.site, *report.carried):
            if site.scan != scan_number or site.point is None or site.trust == "withheld":
                continue
            away = np.asarray(site.point) - centre
            flat = np.array([away @ right, away @ down]) + field_mm / 2
            if abs(away @ np.cross(right, down)) <= NEAR_PLANE_MM and (flat > 0).all() and (flat < field_mm).all():
                found.append((f"B{report.number}", flat))
    return tuple(found)


def _paths(
    study: Study, scan_number: int, centre: Floats, right: Floats, down: Floats, *, field_mm: float
) -> tuple[tuple[str, str, Floats], ...]:
    """Stretches of needle paths within :data:`NEAR_PLANE_MM` of the plane, projected on it, zone by zone."""
    found: list[tuple[str, str, Floats]] = []
    for report in study.biopsy_reports:
        for site in (report.site, *report.carried):
            if site.scan != scan_number or site.point is None or site.entry is None or not site.runs_mm:
                continue
            start, end = np.asarray(site.entry), np.asarray(site.point)
            along = (end - start) / max(float(np.linalg.norm(end - start)), 1e-9)
            for zone, begin, stop in site.runs_mm:
                at = start + np.linspace(begin, stop, max(int(stop - begin) * 2, 2))[:, None] * along
                flat = np.stack([(at - centre) @ right, (at - centre) @ down], axis=1) + field_mm / 2
                near = np.abs((at - centre) @ np.cross(right, down)) <= NEAR_PLANE_MM
                kept = flat[near & (flat > 0).all(axis=1) & (flat < field_mm).all(axis=1)]
                if len(kept) > 1:
                    found.append((f"B{report.number}", zone, kept[[0, -1]]))
    return tuple(found)


def plane_points(centre: Floats, right: Floats, down: Floats, field_mm: float, pixels: int) -> Floats:
    """(pixels, pixels, 3) LPS mm of the pixel centres of a square picture."""
    step = (np.arange(pixels) + 0.5) / pixels * field_mm - field_mm / 2
    return np.asarray(centre + step[None, :, None] * right + step[:, None, None] * down)


def trace(
    vertices: Floats,
    faces: Floats,
    kinds: Sequence[str],
    centre: Floats,
    right: Floats,
    *,
    down: Floats,
    field_mm: float,
) -> tuple[tuple[Floats, str], ...]:
    """Where a triangle surface (V, 3), (F, 3) cuts a plane: polylines in mm from the picture's upper left corner.

    Each polyline comes with how it is known; ``kinds`` (V,) says so of every vertex.
    """
    normal = np.cross(right, down)
    height = (np.asarray(vertices) - centre) @ normal
    height = np.where(np.abs(height) < 1e-9, 1e-9, height)  # a vertex on the plane counts as above it
    above = height > 0
    links: dict[tuple[int, int], list[tuple[int, int]]] = {}
    for face in np.asarray(faces)[(above[faces].any(axis=1)) & (~above[faces]).any(axis=1)].tolist():
        cut = [(min(a, b), max(a, b)) for a, b in zip(face, face[1:] + face[:1], strict=True) if above[a] != above[b]]
        if len(cut) == 2:
            links.setdefault(cut[0], []).append(cut[1])
            links.setdefault(cut[1], []).append(cut[0])

    def place(edge: tuple[int, int]) -> tuple[Floats, str]:
        a, b = edge
        t = height[a] / (height[a] - height[b])
        point = vertices[a] + t * (vertices[b] - vertices[a]) - centre
        flat = np.array([point @ right, point @ down]) + field_mm / 2
        return flat, kinds[a] if t < 0.5 else kinds[b]

    lines: list[tuple[Floats, str]] = []
    while links:
        edge = next((e for e, n in links.items() if len(n) == 1), next(iter(links)))
        chain = [edge]
        while links.get(edge):
            following = links[edge].pop()
            links[following].remove(edge)
            if not links[edge]:
                del links[edge]
            edge = following
            chain.append(edge)
        links.pop(edge, None)
        placed = [place(e) for e in chain]
        lines.extend(_split(np.array([p for p, _ in placed]), [kind for _, kind in placed]))
    return tuple(lines)


def _split(points: Floats, kinds: Sequence[str]) -> list[tuple[Floats, str]]:
    """Cut a polyline where it changes how it is known; neighbours share their end point."""
    parts = []
    start = 0
    for stop in range(1, len(points) + 1):
        if stop == len(points) or kinds[stop] != kinds[start]:
            parts.append((points[start : min(stop + 1, len(points))], kinds[start]))
            start = stop
    return [part for part in parts if len(part[0]) > 1]


def pictures_of(layout: ViewPlan) -> dict[str, Any]:
    """What the record says of the pictures: windows in HU, sizes and planes in LPS mm of the reference scan."""
    return {
        "field_of_view_mm": layout.field_mm,
        "scale_bar_mm": layout.scale_mm,
        "window_hu": list(layout.window_hu),
        "soft_window_hu": list(layout.soft_window_hu),
        "planes": [
            {
                "name": p.name,
                "centre": _rounded(p.centre),
                "right": _rounded(p.right),
                "down": _rounded(p.down),
            }
            for p in layout.planes
        ],
    }


def _rounded(values: Floats) -> list[float]:
    """Seven significant digits, as everywhere in the record."""
    return [float(f"{float(v):.7g}") + 0.0 for v in values]
