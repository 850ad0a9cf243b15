"""Time line and pictures of the page: scans as columns in time order, planes as square SVGs in millimetres."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from typing import Any

from ..figures import OUTLINE, Pictures, grey_png, no_picture
from ..results import EDGES, View, shown, texts
from .parts import day, esc, held

COLUMNS = 6
"""Up to this many scans stand side by side under the time line."""
SIDE, LABEL = 70.0, 26.0
"""Percent of the width: beyond which labels run to the left, and how much room one takes."""


def timeline(document: Mapping[str, Any]) -> str:
    """Days on a line, events above it, and leaders from each scan's day to its column."""
    scans, events = document["scans"], document["events"]
    days: list[int] = [s["day"] for s in scans] + [e["day"] for e in events]
    first, span = min(days), max(max(days) - min(days), 1)

    def place(value: int) -> float:
        return 3.0 + 94 * (value - first) / span

    lines = '<line class="axis" x1="0" x2="100" y1="8" y2="8"/>'
    lines += "".join(
        f'<line class="event" x1="{place(e["day"]):.2f}" x2="{place(e["day"]):.2f}" y1="-2" y2="8"/>' for e in events
    )
    columns = ""
    for i, s in enumerate(scans):
        x, centre = place(s["day"]), 100 * (i + 0.5) / len(scans)
        lines += f'<polyline class="scan" points="{x:.2f},5 {x:.2f},13 {centre:.2f},36 {centre:.2f},40"/>'
        columns += f"<li><b>{day(document, s['scan'])}</b> <span>scan {s['scan']}</span></li>"
    marks, levels = "", _levels([place(e["day"]) for e in events])
    for i, (e, level) in enumerate(zip(events, levels, strict=True)):
        x = place(e["day"])
        side = "right" if x > SIDE else "left"
        offset = 100 - x if side == "right" else x
        words = e["text"] or texts.EVENTS[e["kind"]]
        at = held(f"/events/{i}/day", shown.number(e["day"], 0))
        style = f"{side}:{offset:.2f}%;bottom:{level * 1.5:.1f}em;--k:{level}"
        marks += f'<li class="{side}" style="{style}">{esc(words)}, day {at}</li>'
    height = (max(levels) + 1) * 1.5 if levels else 0
    zero = texts.DAY_ZERO[document["day_zero"]]
    shown_events = f'<ol class="events" style="height:{height:.1f}em" aria-label="Events">{marks}</ol>' if marks else ""
    return (
        f'<div class="line" style="--n:{len(scans)}">{shown_events}'
        f'<svg viewBox="0 0 100 40" preserveAspectRatio="none" aria-hidden="true">{lines}</svg>'
        f'<ol class="columns" aria-label="Scans">{columns}</ol></div><p class="note">{esc(zero)}</p>'
    )


def _levels(places: list[float]) -> list[int]:
    """Rows for labels about 24 % wide, counted up from the line, so that no label or stem crosses another.

    Labels run to the right of their stem in the left part and to its left in the right part; there the outer
    ones lie lower, so that stems of the inner ones pass beside them.
    """
    levels = [0] * len(places)
    for inner_first in (False, True):
        side = [i for i, x in enumerate(places) if (x > SIDE) == inner_first]
        taken: list[tuple[float, int]] = []
        for i in sorted(side, key=lambda i: places[i], reverse=not inner_first):
            near = [level for x, level in taken if abs(x - places[i]) < LABEL]
            levels[i] = max(near, default=-1) + 1
            taken.append((places[i], levels[i]))
    return levels


def planes(document: Mapping[str, Any], pictures: Pictures) -> str:
    """Every plane in every scan, in the same columns as the time line."""
    if not pictures.views:
        return ""
    shared = document["pictures"]
    html = ""
    for name, views in pictures.views.items():
        figures = "".join(_plane(document, shared, view) for view in views)
        html += (
            f"<h3>{esc(texts.PLANES[name])}</h3>"
            f'<div class="planes" style="--n:{min(len(views), COLUMNS)}">{figures}</div>'
        )
    field = held("/pictures/field_of_view_mm", shown.number(shared["field_of_view_mm"], 0))
    low, high = (held(f"/pictures/window_hu/{i}", shown.number(shared["window_hu"][i], 0)) for i in (0, 1))
    return html + (f'<p class="note">Every picture {field} mm wide, window {low} to {high} HU. {esc(texts.TRACE)}</p>')


def _plane(document: Mapping[str, Any], shared: Mapping[str, Any], view: View) -> str:
    field, scale = shared["field_of_view_mm"], shared["scale_bar_mm"]
    caption = f"<figcaption><b>{day(document, view.scan)}</b></figcaption>"
    remark = _remark(view)
    if view.hu is None:
        return f'<figure>{caption}<p class="nothing">{esc(no_picture(view))}</p></figure>'
    number = next(s["day"] for s in document["scans"] if s["scan"] == view.scan)
    alt = texts.ALT_VIEW.format(
        plane=view.plane,
        day=number,
        fov=shown.number(field, 0),
        low=shown.number(shared["window_hu"][0], 0),
        high=shown.number(shared["window_hu"][1], 0),
        outline=texts.ALT_OUTLINED if view.traces else "",
    )
    data = base64.b64encode(grey_png(view.hu, shared["window_hu"])).decode("ascii")
    lines = "".join(
        f'<polyline class="outline{" bridged" if bridged else ""}" points="'
        + " ".join(f"{x:.2f},{y:.2f}" for x, y in line.tolist())
        + '"/>'
        for line, bridged in view.traces
    )
    unit = field / 100
    x, y = 5 * unit, 94 * unit
    marks = "".join(
        f'<path class="site" d="M{sx:.2f} {sy - 1.5 * unit:.2f}l{1.5 * unit:.2f} {1.5 * unit:.2f}'
        f'l{-1.5 * unit:.2f} {1.5 * unit:.2f}l{-1.5 * unit:.2f} {-1.5 * unit:.2f}z"/>'
        f'<text class="edge site-name" x="{sx + 2.4 * unit:.2f}" y="{sy + 1.5 * unit:.2f}" '
        f'font-size="{4.2 * unit:.2f}">{esc(mark_name)}</text>'
        for mark_name, (sx, sy) in view.sites
    )
    letters = "".join(
        f'<text class="edge" x="{u * field:.2f}" y="{v * field:.2f}" font-size="{4.6 * unit:.2f}">{letter}</text>'
        for letter, (u, v) in zip(
            EDGES[view.plane], ((0.5, 0.055), (0.96, 0.516), (0.5, 0.985), (0.04, 0.516)), strict=True
        )
    )
    kind = "plane" if view.matched else "plane own"
    return (
        f'<figure>{caption}<svg class="{kind}" viewBox="0 0 {field:g} {field:g}" role="img" '
        f'aria-label="{esc(alt)}" style="--o:{OUTLINE}">'
        f'<image width="{field:g}" height="{field:g}" href="data:image/png;base64,{data}"/>{lines}'
        f'<g class="scale"><line x1="{x:.2f}" x2="{x + scale:.2f}" y1="{y:.2f}" y2="{y:.2f}" '
        f'stroke-width="{0.9 * unit:.2f}"/><text x="{x:.2f}" y="{y - 2 * unit:.2f}" font-size="{4.6 * unit:.2f}">'
        f'<tspan data-at="/pictures/scale_bar_mm">{scale:g}</tspan> mm</text></g>'
        f"{letters}{marks}</svg>{remark}</figure>"
    )


def _remark(view: View) -> str:
    """What a reader must know about a picture, below it; empty where all is well."""
    if not view.matched:
        text = texts.OWN_PLANE.format(plane=view.plane, reason=view.reason)
        return f'<p class="remark"><b>{esc(texts.NOT_MATCHED)}</b> {esc(text)}</p>'
    words = [texts.NO_LESION] if not view.traces else []
    if view.reason:
        words.append(f"{texts.TRUST['caution']}: {view.reason}")
    return f'<p class="remark">{esc(" ".join(words))}</p>' if words else ""


def plot(pictures: Pictures, name: str, alt: str) -> str:
    """A drawn figure as an image inside the page; empty where it was not drawn."""
    for ending, kind in (("svg", "image/svg+xml"), ("png", "image/png")):
        data = pictures.files.get(f"{name}.{ending}")
        if data is not None and (ending == "png" or len(data) < 400_000):
            text = base64.b64encode(data).decode("ascii")
            image = f'<img class="plot {name}" src="data:{kind};base64,{text}" alt="{esc(alt)}">'
            return f'<div class="scroll" role="region" tabindex="0" aria-label="{texts.WIDE_FIGURE}">{image}</div>'
    return ""
