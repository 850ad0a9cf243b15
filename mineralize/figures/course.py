"""Plots over days and over depth: course of the main quantities, and the profile from outline to centre."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from ..base import is_share
from ..results import shown, texts
from .style import INK, MARKERS, QUIET, ROSE, RULE, VIOLET, scan_colours

EVENT_MARK = {"injury": "▼", "biopsy": "◆", "excision": "✕", "treatment": "■", "other": "●"}


def course(document: Mapping[str, Any], quantities: Sequence[str]) -> Figure | None:
    """Quantities against days, one panel each, intervals as bars, events as marked lines.

    ``None`` where fewer than two scans carry any of them.
    """
    rows = {q: [r for r in document["measurements"] if r["quantity"] == q] for q in quantities}
    rows = {q: r for q, r in rows.items() if sum(x["value"] is not None for x in r) > 0}
    if len(document["scans"]) < 2 or not rows:
        return None
    figure = Figure(figsize=(3.2 * len(rows), 2.75), layout="constrained")
    panels = figure.subplots(1, len(rows), squeeze=False, sharex=True)[0]
    for axes, (quantity, found) in zip(panels, rows.items(), strict=True):
        course_panel(axes, quantity, found, document)
    return figure


def course_panel(axes: Axes, quantity: str, rows: list[dict[str, Any]], document: Mapping[str, Any]) -> None:
    """One quantity against days."""
    factor, unit, _ = shown.shown_as(quantity, rows[0]["unit"])
    title = texts.quantity_title(quantity) + (f", {unit}" if unit else "")
    axes.set_title(title, pad=16)
    held = [r for r in rows if r["value"] is not None]
    days = np.array([r["day"] for r in held], float)
    values = factor * np.array([r["value"] for r in held])
    low = factor * np.array([r["value"] if r["low"] is None else r["low"] for r in held])
    high = factor * np.array([r["value"] if r["high"] is None else r["high"] for r in held])
    places = [rows.index(r) for r in held]
    fitted_curve(axes, quantity, document)
    for k in range(1, len(held)):  # dashed across a scan whose value is withheld
        style = "-" if places[k] == places[k - 1] + 1 else (0, (2, 3))
        axes.plot(days[k - 1 : k + 1], values[k - 1 : k + 1], color=VIOLET, lw=1.1, ls=style, alpha=0.6, zorder=2)
    axes.vlines(days, low, high, color=VIOLET, lw=1.6, zorder=2)
    for day, v, r in zip(days, values, held, strict=True):
        full = r["trust"] == "ok"
        axes.plot(day, v, "o", ms=5, mfc=VIOLET if full else "white", mec=VIOLET, mew=1.3, zorder=3)
    all_days = [s["day"] for s in document["scans"]] + [e["day"] for e in document["events"]]
    span = max(max(all_days) - min(all_days), 1)
    axes.set_xlim(min(all_days) - 0.05 * span, max(all_days) + 0.05 * span)
    top = float(high.max()) if len(high) else 1.0
    bottom = float(min(low.min(), 0.0)) if len(low) else 0.0
    if is_share(quantity):
        axes.set_ylim(-2, 102)
        axes.set_yticks([0, 25, 50, 75, 100])
    else:
        axes.set_ylim(bottom * 1.05, (top * 1.12) or 1.0)
        axes.yaxis.set_major_locator(MaxNLocator(4))
    for r in rows:
        if r["value"] is None:
            axes.plot(
                r["day"], 0.03, "x", color=ROSE, ms=6, mew=1.5, transform=axes.get_xaxis_transform(), clip_on=False
            )
    for event in document["events"]:
        axes.axvline(event["day"], color=QUIET, lw=0.8, ls=(0, (2, 2)), zorder=1)
        axes.text(
            event["day"], 1.015, EVENT_MARK[event["kind"]], transform=axes.get_xaxis_transform(),
            ha="center", va="bottom", fontsize=8, color=QUIET,
        )  # fmt: skip
    axes.xaxis.set_major_locator(MaxNLocator(5, integer=True))
    axes.yaxis.set_major_formatter(
        lambda v, _: shown.number(v, 0 if axes.get_ylim()[1] - axes.get_ylim()[0] > 3 else 1)
    )
    axes.set_xlabel(f"days from {document['day_zero']}")
    axes.grid(axis="y", color=RULE, lw=0.4)
    axes.set_axisbelow(True)


def fitted_curve(axes: Axes, quantity: str, document: Mapping[str, Any]) -> None:
    """The curve fitted to a quantity with its band, where there is one."""
    course = next((row.get("course") for row in document["curve"] if row["quantity"] == quantity), None)
    if not course or not course["band"]:
        return
    days = [row["day"] for row in course["band"]]
    low, value, high = ([row[key] for row in course["band"]] for key in ("low", "value", "high"))
    axes.fill_between(days, low, high, color=VIOLET, alpha=0.14, lw=0, zorder=1)
    axes.plot(days, value, color=INK, lw=1.2, zorder=1.5)


def profile(document: Mapping[str, Any]) -> Figure | None:
    """Mean HU at 120 kVp against depth below the outline, all scans in one plot; ``None`` without any profile."""
    found = document["profiles"]
    if not found:
        return None
    figure = Figure(figsize=(6.6, 3.3), layout="constrained")
    profile_panel(figure.subplots(), document)
    return figure


def profile_panel(axes: Axes, document: Mapping[str, Any]) -> None:
    """The profiles of a record."""
    found = document["profiles"]
    colours = scan_colours(len(document["scans"]))
    days = {s["scan"]: s["day"] for s in document["scans"]}
    ends = []
    for p in found:
        i = p["scan"] - 1
        depth = np.array(p["depth_mm"], float)
        mean, low, high = (np.array(p[k], float) for k in ("hu120_mean", "hu120_low", "hu120_high"))
        kept = np.isfinite(mean)
        axes.fill_between(depth, low, high, where=kept, color=colours[i], alpha=0.13, lw=0)
        axes.plot(
            depth[kept], mean[kept], color=colours[i], lw=1.1 + 0.9 * i / max(len(days) - 1, 1),
            marker=MARKERS[i % len(MARKERS)], ms=3.6, markevery=max(int(kept.sum()) // 9, 1),
        )  # fmt: skip
        if kept.any():
            ends.append((float(mean[kept][-1]), float(depth[kept][-1]), i, days[p["scan"]]))
    axes.axvline(0, color=INK, lw=0.9)
    axes.set(xlabel="depth below the outline, mm (below 0: outside)", ylabel="HU at 120 kVp")
    axes.yaxis.set_major_formatter(lambda v, _: shown.number(v, 0))
    axes.xaxis.set_major_formatter(lambda v, _: shown.number(v, 0))
    axes.text(0, 1.02, "outline", transform=axes.get_xaxis_transform(), ha="center", va="bottom", fontsize=8)
    axes.margins(x=0.02)
    axes.grid(axis="y", color=RULE, lw=0.4)
    axes.set_axisbelow(True)
    _end_labels(axes, ends, colours)


def _end_labels(axes: Axes, ends: list[tuple[float, float, int, int]], colours: list[Any]) -> None:
    """Day labels right of the axes, each beside its line's end but never over another."""
    low, high = axes.get_ylim()
    step = (high - low) * 0.072
    ends = sorted(ends)
    places = [value for value, *_ in ends]
    for k in range(1, len(places)):
        places[k] = max(places[k], places[k - 1] + step)
    over = places[-1] - high if places else 0.0
    if over > 0:
        places = [p - over for p in places]
    right = axes.get_xlim()[1]
    for place, (value, depth, i, day) in zip(places, ends, strict=True):
        axes.annotate(
            f"day {day}", (depth, value), (right * 1.06, place), textcoords="data", va="center", fontsize=8.5,
            color=colours[i], fontweight="bold", annotation_clip=False,
            arrowprops={"arrowstyle": "-", "lw": 0.5, "color": colours[i], "shrinkA": 1, "shrinkB": 3},
        )  # fmt: skip
