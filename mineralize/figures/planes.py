"""The same plane in every scan as one strip: same field of view, window and scale bar, outline thin, day above."""

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
from ..results import EDGES, View, texts
from .style import INK, QUIET, RULE

OUTLINE = "#ffd24a"
BAR_HALO = [Stroke(linewidth=3.4, foreground="#00000099"), Normal()]
HALO = [Stroke(linewidth=2.2, foreground="#00000099"), Normal()]
"""Keeps white marks readable where they lie on bone."""
BRIDGED_DASH = (0, (1.2, 1.6))


def grey_png(hu: Floats, window: Sequence[float]) -> bytes:
    """8-bit grey PNG (PNG specification, colour type 0) of HU in a window; outside the scan mid-grey."""
    low, high = window
    scaled = (np.asarray(hu, float) - low) / (high - low) * 255
    pixels = np.where(np.isnan(scaled), OUTSIDE_GREY, np.clip(np.nan_to_num(scaled), 0, 255)).round().astype(np.uint8)
    rows, columns = pixels.shape
    raw = np.hstack([np.zeros((rows, 1), np.uint8), pixels]).tobytes()

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    header = struct.pack(">IIBBBBB", columns, rows, 8, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(raw, 9)) + chunk(b"IEND", b"")


OUTSIDE_GREY = 24


def strip(document: Mapping[str, Any], views: Sequence[View]) -> Figure:
    """One plane in all scans, side by side.

    Parameters
    ----------
    document : the record; gives days, field of view and window.
    views : one per scan, in order, all of the same plane.
    """
    pictures = document["pictures"]
    per_row = min(len(views), 5)
    rows = -(-len(views) // per_row)
    below = 0.05 if all(v.matched for v in views) else 0.22
    side, head = 2.1 * 0.94, 0.30
    line = head + side + below
    figure = Figure(figsize=(2.1 * per_row, line * rows))
    for i, view in enumerate(views):
        top = head + (i // per_row) * line
        place = ((i % per_row + 0.03) / per_row, 1 - (top + side) / (line * rows), 0.94 / per_row, side / (line * rows))
        axes = figure.add_axes(place)
        day = document["scans"][i]["day"]
        axes.set_title(f"day {day}", fontsize=10, pad=4, loc="left")
        picture(axes, view, pictures)
    return figure


def picture(axes: Axes, view: View, pictures: Mapping[str, Any]) -> None:
    """One picture on square axes in mm."""
    field, (low, high) = pictures["field_of_view_mm"], pictures["window_hu"]
    axes.set(xlim=(0, field), ylim=(field, 0), xticks=[], yticks=[], aspect="equal")
    for spine in axes.spines.values():
        spine.set_visible(False)
    if view.hu is None:
        axes.set_facecolor("#ece9e2")
        axes.text(field / 2, field / 2, wrapped(no_picture(view), 24), ha="center", va="center", fontsize=7, color=INK)
        return
    ground = np.where(np.isnan(view.hu), low + (high - low) * OUTSIDE_GREY / 255, view.hu)
    axes.imshow(ground, cmap="gray", vmin=low, vmax=high, extent=(0, field, field, 0), interpolation="bilinear")
    for line, bridged in view.traces:
        axes.plot(
            line[:, 0], line[:, 1], color=OUTLINE, lw=0.7, ls=BRIDGED_DASH if bridged else "-", solid_capstyle="butt"
        )
    for name, (x, y) in view.sites:
        axes.plot(x, y, "D", ms=3.2, mfc="none", mec="white", mew=0.9, path_effects=HALO)
        axes.text(x + 0.025 * field, y, name, color="white", fontsize=6, va="center", path_effects=HALO)
    scale = pictures["scale_bar_mm"]
    x, y = 0.05 * field, 0.94 * field
    axes.plot([x, x + scale], [y, y], color="white", lw=2, solid_capstyle="butt", path_effects=BAR_HALO)
    axes.text(x, y - 0.03 * field, f"{scale:g} mm", color="white", fontsize=6.5, va="bottom", path_effects=HALO)
    for letter, (u, v) in zip(EDGES[view.plane], ((0.5, 0.03), (0.97, 0.5), (0.5, 0.97), (0.03, 0.5)), strict=True):
        axes.text(u * field, v * field, letter, color=RULE, fontsize=6.5, ha="center", va="center", path_effects=HALO)
    if not view.matched:
        axes.set_xlabel(texts.NOT_MATCHED, fontsize=7.5, color=QUIET, labelpad=3)


def no_picture(view: View) -> str:
    """Why there is no picture, in words."""
    return f"{texts.NO_PICTURE} {view.reason}".strip() if not view.matched else texts.OUTSIDE


def wrapped(text: str, width: int) -> str:
    """Text broken into lines of at most ``width`` letters, at blanks."""
    lines = [""]
    for word in text.split():
        if lines[-1] and len(lines[-1]) + len(word) + 1 > width:
            lines.append(word)
        else:
            lines[-1] = f"{lines[-1]} {word}".strip()
    return "\n".join(lines)
