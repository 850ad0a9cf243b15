"""The rim unwrapped: the whole outline on one equal-area map per scan (Mollweide projection), same scales.

Mollweide's map (Snyder, Map Projections, USGS Professional Paper 1395, 1987, p. 249) keeps areas: a tenth of the
outline, as seen from its centre, is a tenth of the map. In the middle lies anterior, up is superior.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any
from weakref import WeakKeyDictionary

import numpy as np
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.colors import Normalize
from matplotlib.figure import Figure
from matplotlib.patches import Ellipse, Patch
from matplotlib.patheffects import Normal, Stroke
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from ..base import Floats
from ..measure import CONTACT, GAP, MINERAL, UNRESOLVED, RimMap
from ..results import texts
from ..study import Study
from .planes import PRINT_INCHES
from .style import DENSITY, INK, QUIET, RULE

COLUMNS, ROWS = 240, 120
TALL_INCHES = 0.9
"""Height of a colour bar from which its label fits beside it."""
HALO = [Stroke(linewidth=2.0, foreground="white"), Normal()]
LABELS = (
    ("A", 0.0, 0.0),
    ("L", 90.0, 0.0),
    ("R", -90.0, 0.0),
    ("P", 170.0, 0.0),
    ("P", -170.0, 0.0),
    ("S", 0.0, 82.0),
    ("I", 0.0, -82.0),
)


def forward(direction: Any) -> Floats:
    """Mollweide x (-2..2) and y (-1..1) of ``(..., 3)`` LPS directions; anterior at (0, 0), left to the right."""
    d = np.asarray(direction, float)
    d = d / np.linalg.norm(d, axis=-1, keepdims=True)
    longitude = np.arctan2(d[..., 0], -d[..., 1])
    sine = np.clip(d[..., 2], -1, 1)
    theta = np.arcsin(sine)
    for _ in range(60):  # Newton; slow only at the poles, where the start is the answer
        slope = 2 + 2 * np.cos(2 * theta)
        step = np.where(slope > 1e-12, (2 * theta + np.sin(2 * theta) - np.pi * sine) / np.maximum(slope, 1e-12), 0.0)
        theta = theta - step
        if np.abs(step).max() < 1e-12:
            break
    return np.stack([2 / np.pi * longitude * np.cos(theta), np.sin(theta)], axis=-1)


def _towards(east: Any, north: Any) -> Floats:
    """LPS directions (..., 3) of degrees left of anterior and up."""
    lon, lat = np.radians(east), np.radians(north)
    return np.stack([np.cos(lat) * np.sin(lon), -np.cos(lat) * np.cos(lon), np.sin(lat)], axis=-1)


@cache
def _meridians() -> tuple[Floats, ...]:
    north = np.linspace(-90, 90, 61)
    return tuple(forward(_towards(np.full(len(north), east), north)) for east in (-90.0, 0.0, 90.0))


@cache
def _labels() -> Floats:
    _, east, north = zip(*LABELS, strict=True)
    return forward(_towards(np.array(east), np.array(north)))


def inverse(x: Any, y: Any) -> Floats:
    """LPS unit directions of map points; NaN outside the map."""
    x, y = np.broadcast_arrays(np.asarray(x, float), np.asarray(y, float))
    inside = (x / 2) ** 2 + y**2 < 1
    theta = np.arcsin(np.where(inside, y, 0.0))
    latitude = np.arcsin(np.clip((2 * theta + np.sin(2 * theta)) / np.pi, -1, 1))
    longitude = np.pi * np.where(inside, x, 0.0) / (2 * np.cos(theta))
    d = np.stack(
        [np.cos(latitude) * np.sin(longitude), -np.cos(latitude) * np.cos(longitude), np.sin(latitude)], axis=-1
    )
    return np.where(inside[..., None], d, np.nan)


def spread(direction: Floats, values: Floats, at: Floats, neighbours: int = 6) -> Floats:
    """Values of scattered directions at grid directions: inverse-distance mean of the nearest finite ones."""
    kept = np.isfinite(values)
    result = np.full(at.shape[:-1], np.nan)
    inside = np.isfinite(at[..., 0])
    if not kept.any():
        return result
    count = min(neighbours, int(kept.sum()))
    distance, index = cKDTree(direction[kept]).query(at[inside], k=count)
    distance, index = distance.reshape(len(distance), count), index.reshape(len(index), count)
    weight = 1 / (distance + 1e-3) ** 2
    result[inside] = (weight * values[kept][index]).sum(axis=1) / weight.sum(axis=1)
    return result


@dataclass(frozen=True, eq=False)
class _Sheet:
    """A rim map laid out: ``state`` (rows, columns), -1 outside the map, and HU and mm where there is mineral."""

    state: NDArray[Any]
    peak_hu120: Floats
    thickness_mm: Floats


_SHEETS: WeakKeyDictionary[RimMap, tuple[Floats, _Sheet]] = WeakKeyDictionary()


def _sheet(study: Study, held: RimMap, index: int) -> _Sheet:
    """The rim of one scan on the map; the figure and the PDF ask for the same."""
    direction = _turned(study, held, index)
    known = _SHEETS.get(held)
    if known is not None and np.array_equal(known[0], direction):
        return known[1]
    at = inverse(np.linspace(-2, 2, COLUMNS)[None, :], np.linspace(1, -1, ROWS)[:, None])
    inside = np.isfinite(at[..., 0])
    state = np.full(at.shape[:2], -1)
    _, nearest = cKDTree(direction).query(at[inside])
    state[inside] = np.asarray(held.state)[nearest].astype(int)
    mineral = (state == MINERAL) | (state == CONTACT)
    shown = np.where(mineral[..., None], at, np.nan)
    made = _Sheet(state, spread(direction, held.peak_hu120, shown), spread(direction, held.thickness_mm, shown))
    _SHEETS[held] = (direction, made)
    return made


def rim(study: Study, document: Mapping[str, Any], *, thickness: bool = True) -> Figure | None:
    """All scans: peak attenuation above, below it ``thickness``; ``None`` where no scan has a map.

    As wide as it is printed, so that its letters keep their size on paper.
    """
    shown = [(i, m) for i, m in enumerate(study.rim_maps) if m is not None]
    if not shown:
        return None
    per_row = min(len(shown), 5)
    bands = -(-len(shown) // per_row)
    parts = 2 if thickness else 1
    width = PRINT_INCHES
    tall = 0.9 * width / max(per_row, 4) * 0.96 / 1.952  # inches of one map
    line, between = tall + 0.22, 0.1
    height = 0.05 + parts * bands * line + between * (parts - 1) + 0.3
    room = 0.9 / max(per_row, 4)
    figure = Figure(figsize=(width, height))
    scales = scales_of(study)
    for k, (i, m) in enumerate(shown):
        for part in range(parts):
            top = 0.05 + (k // per_row + part * bands + 1) * line + between * part
            axes = figure.add_axes(((k % per_row + 0.02) * room, 1 - top / height, room * 0.96, tall / height))
            rim_panel(axes, study, i, scales[part], thickness=bool(part))
            if part == 0:
                extra = "" if _matched(study, i) else f"\n{texts.NOT_MATCHED}"
                axes.set_title(f"day {document['scans'][i]['day']}{extra}", fontsize=9, pad=3)
            _biopsies(axes, document, m.scan)
    for part, label in enumerate(("peak, HU at 120 kVp", "thickness, mm")[:parts]):
        bottom = 1 - (0.05 + (part + 1) * bands * line + between * part) / height
        bar = figure.add_axes((0.925, bottom, 0.012, (bands * line - 0.3) / height))
        figure.colorbar(ScalarMappable(scales[part], DENSITY), cax=bar)
        bar.tick_params(labelsize=8, length=2)
        bar.set_ylabel(label if thickness and tall > TALL_INCHES else "", fontsize=8)
    figure.legend(
        handles=[
            Patch(facecolor="white", edgecolor=QUIET, hatch="/////", label="gap"),
            Patch(facecolor="#e4e2dc", edgecolor=QUIET, hatch="....", label="unresolved"),
            Patch(facecolor="none", edgecolor=INK, linewidth=1.4, label="on the bone"),
        ],
        loc="lower left", bbox_to_anchor=(0.01, 0.0), ncols=3, frameon=False, fontsize=8, handlelength=2.2,
    )  # fmt: skip
    return figure


def scales_of(study: Study) -> tuple[Normalize, Normalize]:
    """Colour scales for attenuation and thickness, the same for all scans of a study."""
    held = [m for m in study.rim_maps if m is not None]
    tops = np.concatenate([m.peak_hu120[np.isfinite(m.peak_hu120)] for m in held])
    thick = np.concatenate([m.thickness_mm[np.isfinite(m.thickness_mm)] for m in held])
    threshold = study.settings.mineral.threshold_hu120
    hu_top = float(max(threshold + 100, np.ceil(np.percentile(tops, 98) / 100) * 100)) if len(tops) else 1000.0
    mm_top = float(max(1.0, np.ceil(np.percentile(thick, 98)))) if len(thick) else 4.0
    return Normalize(threshold, hu_top), Normalize(0, mm_top)


def _matched(study: Study, index: int) -> bool:
    alignment = study.alignments[index]
    return alignment.scan == study.reference_scan or alignment.trust != "withheld"


def _turned(study: Study, held: RimMap, index: int) -> Floats:
    """Directions of a rim map in the pose of the reference scan where the alignment is trusted."""
    direction: Floats = np.asarray(held.direction, float)
    if _matched(study, index):
        direction = study.alignments[index].transform.turn(direction)
    return direction


def rim_panel(axes: Axes, study: Study, index: int, scale: Normalize, *, thickness: bool, letters: float = 8.0) -> None:
    """The rim of one scan (by its place in the study, which must have a rim map)."""
    held = study.rim_maps[index]
    assert held is not None
    sheet = _sheet(study, held, index)
    state, values = sheet.state, sheet.thickness_mm if thickness else sheet.peak_hu120
    x, y = np.linspace(-2, 2, COLUMNS), np.linspace(1, -1, ROWS)
    axes.imshow(values, extent=(-2, 2, -1, 1), cmap=DENSITY, norm=scale, interpolation="nearest", aspect="equal")
    for kind, fill, hatch in ((GAP, "white", "/////"), (UNRESOLVED, "#e4e2dc", "....")):
        if (state == kind).any():
            axes.contourf(x, y, (state == kind).astype(float), [0.5, 1.5], colors=[fill], hatches=[hatch])
    if (state == CONTACT).any():
        axes.contour(x, y, (state == CONTACT).astype(float), [0.5], colors=[INK], linewidths=1.4)
    axes.add_patch(Ellipse((0, 0), 4, 2, fill=False, edgecolor=QUIET, lw=0.8))
    for line in _meridians():
        axes.plot(line[:, 0], line[:, 1], color=RULE, lw=0.4)
    axes.plot([-2, 2], [0, 0], color=RULE, lw=0.4)
    for (letter, *_), (u, v) in zip(LABELS, _labels(), strict=True):
        axes.text(
            u, v, letter, fontsize=letters, ha="center", va="center", color=INK,
            bbox={"boxstyle": "circle,pad=0.12", "fc": "white", "ec": "none", "alpha": 0.8},
        )  # fmt: skip
    axes.set(xlim=(-2.03, 2.03), ylim=(-1.04, 1.04))
    axes.axis("off")


def _biopsies(axes: Axes, document: Mapping[str, Any], scan: int) -> None:
    matrices = {a["scan"]: np.array(a["matrix"])[:3, :3] for a in document["alignment"] if a["trust"] != "withheld"}
    for report in document["correlation"]["biopsies"]:
        sites: Sequence[Any] = [report["site"], *report["carried"]]
        site = next((s for s in sites if s["scan"] == scan and s.get("direction")), None)
        if site is None:
            continue
        turn = matrices.get(scan, np.eye(3))
        u, v = forward(turn @ np.array(site["direction"], float))
        axes.plot(u, v, marker="D", ms=5, mfc="white", mec=INK, mew=1.2)
        axes.text(u + 0.1, v + 0.1, f"B{report['number']}", fontsize=8, fontweight="bold", color=INK, path_effects=HALO)
