"""Where mineral came and went: the last trusted scan in the matched plane, with the difference to the first over it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure
from matplotlib.path import Path as Polygon
from scipy import ndimage

from ..base import Floats, known_voltage, slope, to_hu120
from ..results import View, texts
from ..study import Study
from .planes import letters
from .style import INK

SMOOTH_MM = 1.0
SHOWN_HU = 100.0
"""Smaller differences are left bare: noise and sub-voxel misfit make them."""
LEAST_TOP_HU = 300.0
"""The scale of colours ends here at the least, so that small changes stay pale."""
RIM_MM = 3.0
GAIN = LinearSegmentedColormap.from_list("gain", ["#d9662b", "#a33c0c", "#4a1600"])
LOSS = LinearSegmentedColormap.from_list("loss", ["#e6eefb", "#c3d5f0", "#9dbbe4"])
"""Gain is dark and plain, loss light and hatched: told apart in grey too."""
PALE = 0.4
"""How much of the picture below is left to see."""


def change(study: Study, document: Mapping[str, Any], views: Sequence[View]) -> tuple[Figure, int, int] | None:
    """The change map and the numbers of its two scans; ``None`` with fewer than two comparable scans."""
    usable = [v for v in views if v.matched and v.hu is not None and v.traces]
    if len(usable) < 2:
        return None
    first, last = usable[0], usable[-1]
    pictures = document["pictures"]
    field, (low, high) = pictures["field_of_view_mm"], pictures["window_hu"]
    assert first.hu is not None
    assert last.hu is not None
    pixel = field / len(last.hu)
    difference = _smooth(_common(study, last), pixel) - _smooth(_common(study, first), pixel)
    near = _inside(first, field) | _inside(last, field)
    near = ndimage.binary_dilation(near, iterations=max(int(RIM_MM / pixel), 1))
    difference = np.where(near & np.isfinite(difference), difference, 0.0)
    top = (
        float(max(LEAST_TOP_HU, np.ceil(np.percentile(np.abs(difference[near]), 99) / 100) * 100))
        if near.any()
        else LEAST_TOP_HU
    )

    figure = Figure(figsize=(5.4, 3.75))
    axes = figure.add_axes((0.01, 0.02, 0.66, 0.9))
    axes.set(xlim=(0, field), ylim=(field, 0), xticks=[], yticks=[], aspect="equal")
    for spine in axes.spines.values():
        spine.set_visible(False)
    days = {s["scan"]: s["day"] for s in document["scans"]}
    axes.set_title(f"day {days[last.scan]} less day {days[first.scan]}", pad=5)
    extent = (0, field, field, 0)
    axes.imshow(np.nan_to_num(last.hu, nan=low), cmap="gray", vmin=low, vmax=high, extent=extent, alpha=PALE)
    at = (np.arange(len(difference)) + 0.5) * pixel
    for sign, ramp in ((1, GAIN), (-1, LOSS)):
        part = np.where(sign * difference >= SHOWN_HU, np.abs(difference), np.nan)
        axes.imshow(part, cmap=ramp, vmin=SHOWN_HU, vmax=top, extent=extent, alpha=0.95)
        if np.isfinite(part).any():
            axes.contour(at, at, sign * difference, [SHOWN_HU], colors=[INK], linewidths=0.6 if sign > 0 else 0.9)
    if (difference <= -SHOWN_HU).any():
        axes.contourf(at, at, -difference, [SHOWN_HU, 1e9], colors=["none"], hatches=["/////"])
    for line, _ in last.traces:
        axes.plot(line[:, 0], line[:, 1], color=INK, lw=0.9, ls=(0, (4, 1.5)))
    scale = pictures["scale_bar_mm"]
    axes.plot([0.05 * field, 0.05 * field + scale], [0.94 * field] * 2, color=INK, lw=2)
    axes.text(0.05 * field, 0.915 * field, f"{scale:g} mm", color=INK, fontsize=8)
    letters(axes, last.plane, field)
    for k, (ramp, label) in enumerate(((GAIN, "gain, HU at 120 kVp"), (LOSS, "loss, HU at 120 kVp"))):
        bar = figure.add_axes((0.71, 0.62 - 0.28 * k, 0.24, 0.045))
        bar.imshow(np.linspace(0, 1, 128)[None], cmap=ramp, aspect="auto", extent=(SHOWN_HU, top, 0, 1))
        if k == 1:
            bar.contourf([SHOWN_HU, top], [0, 1], np.ones((2, 2)), [0, 2], colors=["none"], hatches=["/////"])
        bar.set_yticks([])
        bar.set_xticks([SHOWN_HU, top])
        bar.tick_params(labelsize=8, length=2)
        bar.set_title(label, fontsize=8, fontweight="normal", pad=4)
    return figure, first.scan, last.scan


def alt(document: Mapping[str, Any], first: int, last: int) -> str:
    """Words for who cannot see the map."""
    days = {s["scan"]: s["day"] for s in document["scans"]}
    return texts.ALT_CHANGE.format(first=days[first], last=days[last])


def _common(study: Study, view: View) -> Floats:
    """The picture in HU at 120 kVp where the tube voltage is known, else as scanned."""
    assert view.hu is not None
    kvp = study.timeline.scan(view.scan).acquisition.kvp
    muscle = study.measurement(view.scan, "reference_muscle")
    if kvp is None or muscle is None or muscle.value is None or not known_voltage(kvp):
        return view.hu
    return to_hu120(view.hu, muscle.value, slope(kvp))


def _smooth(hu: Floats, pixel_mm: float) -> Floats:
    """Gaussian of 1 mm that does not bleed in from outside the scan."""
    known = np.isfinite(hu)
    weight = ndimage.gaussian_filter(known.astype(float), SMOOTH_MM / pixel_mm)
    total = ndimage.gaussian_filter(np.where(known, hu, 0.0), SMOOTH_MM / pixel_mm)
    return np.asarray(np.where(known, total / np.maximum(weight, 1e-6), np.nan))


def _inside(view: View, field_mm: float) -> Any:
    """Pixels inside the outline's trace."""
    assert view.hu is not None
    count = len(view.hu)
    at = (np.arange(count) + 0.5) * field_mm / count
    points = np.stack(np.meshgrid(at, at), axis=-1).reshape(-1, 2)
    line = np.concatenate([t for t, _ in view.traces])
    centre = line.mean(axis=0)
    order = np.argsort(np.arctan2(*(line - centre).T[::-1]))
    return Polygon(line[order]).contains_points(points).reshape(count, count)
