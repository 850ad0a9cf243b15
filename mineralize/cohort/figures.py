"""The figure of a cohort's curve, and the two that check it, from the record alone."""

from __future__ import annotations

import io
from collections.abc import Mapping
from typing import Any

from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patheffects import withStroke

from ..figures import INK, QUIET, ROSE, RULE, VIOLET, look

PRINT_DPI = 300
NEW_FILL, TYPICAL_FILL = "#e4e2ef", "#a9a6cd"
MOST_WHISKERS = 200
"""Beyond this many visits their intervals would only be a blur."""
LEAST_REACH, REACH_ROOM = 3.5, 1.1
"""Standard errors that an axis of residuals shows at least, and the room beyond the largest."""
LATE, CURVE_ROOM = 0.9, 1.08
"""Share of the axis of days from which a label stands left of its point, and the room above the highest."""
MOST_HEADROOM = 1.6
"""The band of new lesions is shown to its upper end unless it is so much higher than any scan."""
NAMES = {"mg": "mg", "mm3": "mm³", "mm2": "mm²", "mm": "mm"}


def curve_figure(document: Mapping[str, Any]) -> Figure:
    """Curve, both bands, every lesion's points, and a case laid over it."""
    with look():
        figure = Figure(figsize=(7.2, 4.6), layout="constrained")
        axes = figure.add_subplot()
        _bands(axes, document)
        _lesions(axes, document)
        axes.set_xlim(0, document["band"][-1]["day"])
        if document["laid"] is not None:
            _laid(axes, document["laid"])
        half = document["parameters"]["half_rise_day"]
        axes.axvline(half["value"], color=QUIET, linewidth=0.8, linestyle=(0, (4, 3)), zorder=1)
        axes.annotate(
            f"half rise, day {half['value']:.0f} ({half['low']:.0f} to {half['high']:.0f})",
            (half["value"], 1.0), (4, -2), xycoords=("data", "axes fraction"), textcoords="offset points",
            fontsize=8, color=QUIET, va="top",
        )  # fmt: skip
        axes.set_xlabel("days from onset")
        axes.set_ylabel(axis_name(document))
        axes.set_ylim(bottom=0)
        figure.legend(loc="outside lower center", ncols=2, frameon=False, fontsize=8)
    return figure


def residual_figure(document: Mapping[str, Any]) -> Figure:
    """Standardised residuals over days and over fitted values."""
    rows = document["residuals"]
    with look():
        figure = Figure(figsize=(7.2, 2.9), layout="constrained")
        left, right = figure.subplots(1, 2, sharey=True)
        off = [row["standardised"] for row in rows]
        for axes, key, name in ((left, "day", "days from onset"), (right, "fitted", f"fitted, {axis_name(document)}")):
            axes.scatter([row[key] for row in rows], off, s=9, color=VIOLET, alpha=0.6, linewidths=0)
            for level in (-2, 0, 2):
                axes.axhline(level, color=RULE if level else QUIET, linewidth=0.8, zorder=0)
            axes.set_xlabel(name)
        right.set_xscale("log")
        left.set_ylabel("residual in standard errors")
        reach = max(LEAST_REACH, max((abs(v) for v in off), default=0.0) * REACH_ROOM)
        left.set_ylim(-reach, reach)
    return figure


def check_figure(document: Mapping[str, Any]) -> Figure:
    """Quantiles of the visits over days, observed against drawn again from the model."""
    held = document["predictive_check"]
    with look():
        figure = Figure(figsize=(7.2, 3.3), layout="constrained")
        axes = figure.add_subplot()
        for k, (quantile, colour) in enumerate(zip(held["quantiles"], (ROSE, VIOLET, INK), strict=True)):
            for number, part in enumerate(held["bins"]):
                middle = 0.5 * (part["first_day"] + part["last_day"])
                width = max(part["last_day"] - part["first_day"], 2.0)
                low, high = part["low"][k], part["high"][k]
                axes.bar(
                    middle, high - low, width * 0.92, low, color=colour, alpha=0.22, linewidth=0,
                    label=f"{quantile:.0%} of scans lie below" if number == 0 else None,
                )  # fmt: skip
                axes.plot(middle, part["observed"][k], "oD^"[k], color=colour, markersize=5)
        axes.set_yscale("log")
        axes.set_xlabel("days from onset")
        axes.set_ylabel(axis_name(document))
        figure.legend(loc="outside lower center", ncols=3, frameon=False, fontsize=7.5)
    return figure


def axis_name(document: Mapping[str, Any]) -> str:
    """The quantity in words with its unit."""
    return f"{str(document['quantity']).replace('_', ' ')} ({NAMES.get(document['unit'], document['unit'])})"


def svg(figure: Figure) -> bytes:
    """SVG bytes without date or creator."""
    held = io.BytesIO()
    with look():
        metadata = {"Date": None, "Creator": None, "Format": None, "Type": None}
        FigureCanvasAgg(figure).print_figure(held, format="svg", metadata=metadata)
    return held.getvalue()


def png(figure: Figure) -> bytes:
    """PNG bytes at the resolution that journals ask for."""
    held = io.BytesIO()
    with look():
        FigureCanvasAgg(figure).print_figure(held, format="png", dpi=PRINT_DPI, metadata={"Software": None})
    return held.getvalue()


def _bands(axes: Axes, document: Mapping[str, Any]) -> None:
    rows = document["band"]
    days = [row["day"] for row in rows]

    def column(key: str) -> list[float]:
        return [row[key] for row in rows]

    axes.fill_between(
        days, column("new_low"), column("new_high"), color=NEW_FILL, linewidth=0, zorder=0,
        label="new lesions: 95 % lie inside",
    )  # fmt: skip
    axes.fill_between(
        days, column("low"), column("high"), color=TYPICAL_FILL, linewidth=0, zorder=2,
        label="typical lesion: 95 % interval",
    )  # fmt: skip
    axes.plot(days, column("median"), color=VIOLET, linewidth=1.8, zorder=5, label="typical lesion")


def _lesions(axes: Axes, document: Mapping[str, Any]) -> None:
    by_case: dict[str, list[Mapping[str, Any]]] = {}
    for row in document["visits"]:
        by_case.setdefault(row["case"], []).append(row)
    whiskers = len(document["visits"]) <= MOST_WHISKERS
    for number, rows in enumerate(by_case.values()):
        days, values = [row["day"] for row in rows], [row["value"] for row in rows]
        axes.plot(days, values, color=INK, alpha=0.22, linewidth=0.7, zorder=3)
        axes.plot(
            days, values, ".", color=INK, alpha=0.65, markersize=3.5, zorder=4,
            label="scans of the cohort, lines join a lesion's" if number == 0 else None,
        )  # fmt: skip
        if whiskers:
            for row in rows:
                if row["low"] is not None and row["high"] is not None:
                    axes.vlines(row["day"], row["low"], row["high"], color=INK, alpha=0.25, linewidth=0.6, zorder=3)
    # A few high lesions should not press the curve to the floor.
    top = max(max(row["value"] for row in document["visits"]), document["band"][-1]["high"])
    widest = max(row["new_high"] for row in document["band"])
    axes.set_ylim(0, 1.06 * max(top, min(widest, MOST_HEADROOM * top)))


def _laid(axes: Axes, laid: Mapping[str, Any]) -> None:
    rows = laid["scans"]
    days, values = [row["day"] for row in rows], [row["value"] for row in rows]
    axes.plot(
        days, values, "-D", color=ROSE, linewidth=1.6, markersize=5, zorder=6, label=f"laid over it: {laid['case']}"
    )
    for row in rows:
        if row["value_low"] is not None and row["value_high"] is not None:
            axes.vlines(row["day"], row["value_low"], row["value_high"], color=ROSE, linewidth=1.2, zorder=6)
        late = row["day"] > LATE * axes.get_xlim()[1]
        axes.annotate(
            f"P{row['percentile']:.0f}", (row["day"], row["value"]), (-5 if late else 5, 4), fontsize=8, color=ROSE,
            path_effects=[withStroke(linewidth=2, foreground="white")],
            textcoords="offset points", ha="right" if late else "left", zorder=7,
        )  # fmt: skip
    top = axes.get_ylim()[1]
    axes.set_ylim(0, max(top, CURVE_ROOM * max(values)))
