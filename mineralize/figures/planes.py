"""The same plane in every scan as one strip, in two windows: mineral with the outline, soft tissue bare.

Laid out at the width it is printed at, so that its letters keep their size on paper.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patheffects import Normal, Stroke

from ..base import Floats
from ..results import BRIDGED, EDGES, SEEN, SOFT, UNSEEN, View, texts
from .style import INK, QUIET, RULE

OUTLINE = "#ffd24a"
BAR_HALO = [Stroke(linewidth=3.4, foreground="#00000099"), Normal()]
HALO = [Stroke(linewidth=2.2, foreground="#00000099"), Normal()]
"""Keeps white marks readable where they lie on bone."""
DASHES: dict[str, Any] = {SEEN: "-", SOFT: (0, (5, 2)), BRIDGED: (0, (1.2, 1.6)), UNSEEN: (0, (1, 5))}
"""Line of an outline by how it is known."""
ZONE_COLOURS = {"outside": "#ffffff", "rim": "#7fd4ff", "middle": "#ff9ad5", "core": "#ff5a36"}
ZONE_DASHES: dict[str, Any] = {"outside": (0, (1, 2)), "rim": (0, (4, 1.5)), "middle": (0, (2, 1)), "core": "-"}
ZONE_WIDTHS = {"outside": 1.0, "rim": 1.5, "middle": 1.9, "core": 2.4}
"""A needle's path by zone: told apart by dash and width where there is no colour."""
PRINT_INCHES = 184 / 25.4
MOST_IN_A_ROW = 6
LARGEST_INCHES = 44 / 25.4
OUTSIDE_GREY = 24


def grey_png(hu: Floats, window: Sequence[float]) -> bytes:
    """8-bit grey PNG (PNG specification, colour type 0) of HU (rows, columns) in a window (low, high) of HU.

    Outside the scan, where HU is NaN, it is dark grey.
    """
    low, high = window
    scaled = (np.asarray(hu, float) - low) / (high - low) * 255
    pixels = np.where(np.isnan(scaled), OUTSIDE_GREY, np.clip(np.nan_to_num(scaled), 0, 255)).round().astype(np.uint8)
    rows, columns = pixels.shape
    raw = np.hstack([np.zeros((rows, 1), np.uint8), pixels]).tobytes()

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    header = struct.pack(">IIBBBBB", columns, rows, 8, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(raw, 6)) + chunk(b"IEND", b"")


def strip(document: Mapping[str, Any], views: Sequence[View], *, soft: bool = True) -> Figure:
    """One plane in all scans, side by side: mineral window with the outline, below it the soft-tissue window bare.

    Parameters
    ----------
    document : the record; gives days, field of view and windows.
    views : one per scan, in order, all of the same plane.
    soft : whether the soft-tissue window is drawn too.
    """
    pictures = document["pictures"]
    per_row = min(len(views), MOST_IN_A_ROW)
    bands = -(-len(views) // per_row)
    gap, head, below = 0.05, 0.2, 0.04 if all(v.matched for v in views) else 0.2
    side = min((PRINT_INCHES - gap * (per_row - 1)) / per_row, LARGEST_INCHES)
    windows = [(pictures["window_hu"], True)]
    if soft:
        windows.append((pictures.get("soft_window_hu", pictures["window_hu"]), False))
    line = head + len(windows) * (side + gap) + below
    width, height = per_row * side + (per_row - 1) * gap, line * bands
    figure = Figure(figsize=(width, height))
    for i, view in enumerate(views):
        left = (i % per_row) * (side + gap)
        for k, (window, outlined) in enumerate(windows):
            top = (i // per_row) * line + head + k * (side + gap)
            axes = figure.add_axes((left / width, 1 - (top + side) / height, side / width, side / height))
            if k == 0:
                axes.set_title(f"day {document['scans'][i]['day']}", fontsize=9, pad=2, loc="left")
            if k and view.hu is None:
                axes.axis("off")  # why there is none stands above
            else:
                picture(axes, view, pictures, window=window, outlined=outlined)
            if k == len(windows) - 1 and not view.matched:
                axes.set_xlabel(texts.NOT_MATCHED, fontsize=8, color=QUIET, labelpad=2)
    return figure


def picture(
    axes: Axes,
    view: View,
    pictures: Mapping[str, Any],
    *,
    window: Sequence[float] | None = None,
    outlined: bool = True,
) -> None:
    """One picture on square axes in mm, in the mineral window or in ``window``, with or without outline and needle."""
    field, (low, high) = pictures["field_of_view_mm"], window or pictures["window_hu"]
    axes.set(xlim=(0, field), ylim=(field, 0), xticks=[], yticks=[], aspect="equal")
    for spine in axes.spines.values():
        spine.set_visible(False)
    if view.hu is None:
        axes.set_facecolor("#ece9e2")
        axes.text(field / 2, field / 2, wrapped(no_picture(view), 22), ha="center", va="center", fontsize=8, color=INK)
        return
    ground = np.where(np.isnan(view.hu), low + (high - low) * OUTSIDE_GREY / 255, view.hu)
    axes.imshow(ground, cmap="gray", vmin=low, vmax=high, extent=(0, field, field, 0), interpolation="bilinear")
    if outlined:
        _marks(axes, view, field)
    scale = pictures["scale_bar_mm"]
    x, y = 0.05 * field, 0.94 * field
    axes.plot([x, x + scale], [y, y], color="white", lw=2, solid_capstyle="butt", path_effects=BAR_HALO)
    axes.text(x, y - 0.03 * field, f"{scale:g} mm", color="white", fontsize=8, va="bottom", path_effects=HALO)
    letters(axes, view.plane, field)


def letters(axes: Axes, plane: str, field: float) -> None:
    """Anatomical letters at the four edges of a picture."""
    for letter, (u, v) in zip(EDGES[plane], ((0.5, 0.045), (0.955, 0.5), (0.5, 0.955), (0.045, 0.5)), strict=True):
        axes.text(u * field, v * field, letter, color=RULE, fontsize=8, ha="center", va="center", path_effects=HALO)


def _marks(axes: Axes, view: View, field: float) -> None:
    for line, kind in view.traces:
        dashed = DASHES[kind]
        axes.plot(line[:, 0], line[:, 1], color=OUTLINE, lw=0.8, ls=dashed, solid_capstyle="butt")
    for _, zone, ends in view.paths:
        axes.plot(
            ends[:, 0], ends[:, 1], color=ZONE_COLOURS[zone], lw=ZONE_WIDTHS[zone], ls=ZONE_DASHES[zone],
            solid_capstyle="butt",
        )  # fmt: skip
    for name, (x, y) in view.sites:
        axes.plot(x, y, "D", ms=3.4, mfc="none", mec="white", mew=0.9, path_effects=HALO)
        axes.text(x + 0.03 * field, y, name, color="white", fontsize=8, va="center", path_effects=HALO)


def no_picture(view: View) -> str:
    """Why there is no picture, in words."""
    why = view.reason[:1].upper() + view.reason[1:]
    return f"{texts.NO_PICTURE} {why}".strip() if not view.matched else texts.OUTSIDE


def wrapped(text: str, width: int) -> str:
    """Text broken into lines of at most ``width`` letters, at blanks."""
    lines = [""]
    for word in text.split():
        if lines[-1] and len(lines[-1]) + len(word) + 1 > width:
            lines.append(word)
        else:
            lines[-1] = f"{lines[-1]} {word}".strip()
    return "\n".join(lines)
