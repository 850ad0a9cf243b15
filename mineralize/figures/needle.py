"""The lesion cut along a needle: outline, zones, and the path coloured by the zone it runs in."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Polygon

from ..base import Floats
from .style import INK, QUIET

ZONE_FILLS = {"outline": "#efece2", "intermediate": "#d9d3c1", "central": "#bdb49a"}
"""Outer, intermediate and central zone, darker inwards."""
PATH_COLOURS = {"outside": "#5c616d", "rim": "#1f6fa8", "middle": "#8f2f7a", "core": "#a82a12"}
PATH_WIDTHS = {"outside": 1.2, "rim": 2.2, "middle": 3.0, "core": 4.0}
PATH_DASHES: dict[str, Any] = {"outside": (0, (2, 2)), "rim": (0, (3, 1)), "middle": (0, (1.5, 0.7)), "core": "-"}
"""The path by zone: told apart by dash and width where there is no colour."""
INCHES_PER_MM = 0.045


def stretches(report: Mapping[str, Any]) -> list[tuple[str, Floats]]:
    """Zone and both ends (2, 2), mm of the drawing, of every stretch of a report's path that lies in its drawing."""
    section, runs = report["section"], report["site"].get("runs_mm") or []
    if section is None or section["entry"] is None or not runs:
        return []
    start, end = np.array(section["entry"]), np.array(section["target"])
    shown = float(np.linalg.norm(end - start))
    whole = float(runs[-1][2])
    unit = (end - start) / max(shown, 1e-9)
    found = []
    for zone, begin, stop in runs:
        a, b = max(begin - (whole - shown), 0.0), stop - (whole - shown)
        if b > a:
            found.append((str(zone), np.stack([start + a * unit, start + b * unit])))
    return found


def needle(report: Mapping[str, Any]) -> Figure | None:
    """The drawing of one biopsy report of the record; ``None`` where the site could not be placed."""
    section = report.get("section")
    if section is None:
        return None
    figure = Figure(figsize=(section["width_mm"] * INCHES_PER_MM, section["height_mm"] * INCHES_PER_MM))
    needle_panel(figure.add_axes((0, 0, 1, 1)), report)
    return figure


def needle_panel(axes: Axes, report: Mapping[str, Any]) -> None:
    """The drawing on axes; the report must have a section."""
    section = report["section"]
    width, height = section["width_mm"], section["height_mm"]
    axes.set(xlim=(0, width), ylim=(height, 0), aspect="equal")
    axes.axis("off")
    for name, fill in ZONE_FILLS.items():
        for line in section[name]:
            if len(line) > 2:
                edge = INK if name == "outline" else QUIET
                thick = 1.1 if name == "outline" else 0.6
                axes.add_patch(Polygon(np.array(line), closed=True, facecolor=fill, edgecolor=edge, linewidth=thick))
    for zone, ends in stretches(report):
        axes.plot(
            ends[:, 0], ends[:, 1], color=PATH_COLOURS[zone], lw=PATH_WIDTHS[zone], ls=PATH_DASHES[zone],
            solid_capstyle="butt",
        )  # fmt: skip
    x, y = section["target"]
    axes.plot(x, y, "D", ms=4.5, mfc="white", mec=INK, mew=1.1)
    axes.text(x + 1.6, y, f"B{report['number']}", fontsize=8, va="center", fontweight="bold", color=INK)
    places = ((width / 2, 1.6, "center", "center"), (width - 0.6, height / 2, "right", "center"),
              (width / 2, height - 1.6, "center", "center"), (0.6, height / 2, "left", "center"))  # fmt: skip
    for word, (u, v, across, up) in zip(section["edges"], places, strict=True):
        axes.text(u, v, letters_of(word), fontsize=8, ha=across, va=up, color=QUIET)


def letters_of(words: str) -> str:
    """``AL`` for ``anterior-left``."""
    return "".join(word[0].upper() for word in words.split("-"))
