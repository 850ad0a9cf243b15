"""The common look of all figures, and how they become bytes that are the same on every run."""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import matplotlib
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure

INK = "#1f2430"
QUIET = "#6a6f7b"
RULE = "#c9c6bd"
VIOLET = "#3b3a86"
ROSE = "#b03a66"
DENSITY = LinearSegmentedColormap.from_list(
    "density", ["#1d1a4d", "#3b3a86", "#5f6fa8", "#8fa3ae", "#c9c69a", "#f3e7b8"], N=256
)
"""Lightness rises evenly and hue goes from blue to yellow, so order survives grey print and colour blindness."""

PNG_DPI = 220
COMPRESSION = 3
"""A third of the time of the usual level, for files a sixth larger."""
_RC: Any = {
    "font.family": "DejaVu Sans",
    "font.size": 9,
    "axes.edgecolor": QUIET,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.titlesize": 9.5,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "xtick.color": QUIET,
    "ytick.color": QUIET,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "xtick.major.width": 0.7,
    "ytick.major.width": 0.7,
    "text.color": INK,
    "hatch.linewidth": 0.7,
    "hatch.color": QUIET,
    "svg.fonttype": "path",
    "svg.hashsalt": "mineralize",
    "pdf.fonttype": 42,
    "figure.facecolor": "white",
    "savefig.facecolor": "white",
    "lines.solid_capstyle": "round",
}


_MACHINE = ("backend", "interactive", "toolbar", "timezone", "webagg.", "tk.", "date.epoch", "keymap.", "figure.hooks")
"""Settings that say how figures are shown on a machine, not what is in them."""


def _rc() -> Any:
    """The library's own defaults under our style: what a user set elsewhere may not change a file."""
    defaults = dict.items(matplotlib.rcParamsDefault)  # as they are held: asking for one by name may warn
    return {name: value for name, value in defaults if not name.startswith(_MACHINE)} | _RC


@contextmanager
def look() -> Iterator[None]:
    """The style, for the time of a block only."""
    with matplotlib.rc_context(_rc()):
        yield


def scan_colours(count: int) -> list[Any]:
    """One colour per scan, from light (first) to dark (last): order is readable in grey."""
    ramp = LinearSegmentedColormap.from_list("time", ["#c58aa6", "#8a5c9e", "#4c4394", "#17163f"])
    return [ramp(0.0 if count == 1 else i / (count - 1)) for i in range(count)]


MARKERS = "osD^vP*X"


def png(figure: Figure) -> bytes:
    """PNG bytes at slide resolution, white ground, no software or date in them.

    What was laid out for it stays where it is: the same figure as SVG or in the PDF is not laid out again.
    """
    held = io.BytesIO()
    FigureCanvasAgg(figure).print_figure(
        held, format="png", dpi=PNG_DPI, metadata={"Software": None}, pil_kwargs={"compress_level": COMPRESSION}
    )
    figure.set_layout_engine("none")
    return held.getvalue()


def svg(figure: Figure) -> bytes:
    """SVG bytes without date or creator."""
    held = io.BytesIO()
    FigureCanvasAgg(figure).print_figure(
        held, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None}
    )
    return held.getvalue()
