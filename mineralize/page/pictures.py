"""Time line and pictures of the page: scans as columns in time order, planes as square SVGs in millimetres."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from typing import Any

from ..figures import OUTLINE, ZONE_COLOURS, ZONE_DASHES, ZONE_WIDTHS, Pictures, grey_png, no_picture
from ..results import EDGES, UNSEEN, View, shown, texts
from .parts import day, esc, held

COLUMNS = 6
"""Up to this many scans stand side by side under the time line."""
SIDE, LABEL = 70.0, 26.0
"""Percent of the width: beyond which labels run to the left, and how much room one takes."""


DRAWN = {"course": "curves", "profile": "profile", "rim": "rim", "change": "changemap"}
"""Drawn figures by name, and the section that each stands in."""


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
    shown_events = f'<ol class="events" style="height:{height:.1f}em" aria-label="Events">{marks}</ol>' if marks else ""
    return (
        f'<div class="line" style="--n:{len(scans)}">{shown_events}'
        f'<svg viewBox="0 0 100 40" preserveAspectRatio="none" aria-hidden="true">{lines}</svg>'
        f'<ol class="columns" aria-label="Scans">{columns}</ol></div>'
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
    """The first plane in every scan, in the columns of the time line: mineral window, below it soft tissue."""
    if not pictures.views:
        return ""
    name, views = next(iter(pictures.views.items()))
    chosen = "".join(
        f'<label><input type="radio" name="marks" value="{value}"{" checked" if value == "upper" else ""}> '
        f"{esc(label)}</label>"
        for value, label in texts.MARKS_SWITCH.items()
    )
    switch = f'<fieldset class="switch"><legend>{esc(texts.MARKS_LEGEND)}</legend>{chosen}</fieldset>'
    return _strip(document, views) + switch + _note(document, name)


def more_planes(document: Mapping[str, Any], pictures: Pictures) -> str:
    """The other planes in every scan; empty where there are none."""
    others = list(pictures.views.items())[1:]
    return "".join(f"<h3>{esc(texts.PLANES[name])}</h3>" + _strip(document, views) for name, views in others)


def _strip(document: Mapping[str, Any], views: Sequence[View]) -> str:
    shared = document["pictures"]
    rows = ""
    for kind, key in (("mineral", "window_hu"), ("soft", "soft_window_hu")):
        window = shared.get(key)
        if window is None:
            continue
        figures = "".join(_plane(document, shared, view, kind, window) for view in views)
        rows += f'<div class="planes {kind}" style="--n:{min(len(views), COLUMNS)}">{figures}</div>'
    return rows


def _note(document: Mapping[str, Any], name: str) -> str:
    shared = document["pictures"]
    field = held("/pictures/field_of_view_mm", shown.number(shared["field_of_view_mm"], 0))
    ends = [
        held(f"/pictures/{key}/{i}", shown.number(shared[key][i], 0))
        for key in ("window_hu", "soft_window_hu")
        for i in (0, 1)
        if key in shared
    ]
    keys = ("low", "high", "soft_low", "soft_high")
    windows = texts.WINDOWS.format(field=field, **dict(zip(keys, [*ends, "", ""][:4], strict=True)))
    zones = "".join(
        f'<span class="zone"><svg viewBox="0 0 12 3" width="24" height="6" aria-hidden="true">'
        f'<line x1="0" x2="12" y1="1.5" y2="1.5" stroke="{ZONE_COLOURS[zone]}" stroke-width="{ZONE_WIDTHS[zone]}"'
        f"{_dashed(zone, 1.0)}/></svg> {esc(shown.zones([zone]))}</span>"
        for zone in ("outside", "rim", "middle", "core")
    )
    path = f'<span class="zones">{esc(texts.PATH_LEGEND)} {zones}</span>' if document["correlation"]["biopsies"] else ""
    zero = texts.DAY_ZERO[document["day_zero"]]
    return f'<p class="note">{esc(texts.PLANES[name])}, {windows} {esc(texts.TRACE)} {esc(zero)} {path}</p>'


def _dashed(zone: str, unit: float) -> str:
    dash = ZONE_DASHES[zone]
    if isinstance(dash, str):
        return ""
    return f' stroke-dasharray="{" ".join(f"{part * unit:.2f}" for part in dash[1])}"'


def _plane(
    document: Mapping[str, Any], shared: Mapping[str, Any], view: View, kind: str, window: Sequence[float]
) -> str:
    field, scale = shared["field_of_view_mm"], shared["scale_bar_mm"]
    upper = kind == "mineral"
    number = next(s["day"] for s in document["scans"] if s["scan"] == view.scan)
    caption = f'<figcaption class="{"seen" if upper else "aloud"}">{day(document, view.scan)}</figcaption>'
    remark = "" if upper else _remark(document, view)
    if view.hu is None:
        return (
            f'<figure>{caption}<p class="nothing">{esc(no_picture(view))}</p></figure>'
            if upper
            else "<figure></figure>"
        )
    alt = texts.ALT_VIEW.format(
        plane=view.plane,
        day=number,
        fov=shown.number(field, 0),
        low=shown.number(window[0], 0),
        high=shown.number(window[1], 0),
        outline=texts.ALT_OUTLINED if view.traces and upper else "",
    )
    data = base64.b64encode(grey_png(view.hu, window)).decode("ascii")
    unit = field / 100
    x, y = 5 * unit, 94 * unit
    letters = "".join(
        f'<text class="edge" x="{u * field:.2f}" y="{v * field:.2f}" font-size="{5.2 * unit:.2f}">{letter}</text>'
        for letter, (u, v) in zip(
            EDGES[view.plane], ((0.5, 0.06), (0.955, 0.518), (0.5, 0.985), (0.045, 0.518)), strict=True
        )
    )
    name = "plane" if view.matched else "plane own"
    return (
        f'<figure>{caption}<svg class="{name}" viewBox="0 0 {field:g} {field:g}" role="img" '
        f'aria-label="{esc(alt)}" style="--o:{OUTLINE}">'
        f'<image width="{field:g}" height="{field:g}" href="data:image/png;base64,{data}"/>'
        f'<g class="marks">{_marks(view, unit)}</g>'
        f'<g class="scale"><line x1="{x:.2f}" x2="{x + scale:.2f}" y1="{y:.2f}" y2="{y:.2f}" '
        f'stroke-width="{0.9 * unit:.2f}"/><text x="{x:.2f}" y="{y - 2 * unit:.2f}" font-size="{5.2 * unit:.2f}">'
        f'<tspan data-at="/pictures/scale_bar_mm">{scale:g}</tspan> mm</text></g>'
        f"{letters}</svg>{remark}</figure>"
    )


def _marks(view: View, unit: float) -> str:
    """Outline, needle paths and sites."""
    lines = "".join(
        f'<polyline class="outline {kind}" points="' + " ".join(f"{x:.2f},{y:.2f}" for x, y in line.tolist()) + '"/>'
        for line, kind in view.traces
    )
    paths = "".join(
        f'<line class="path" x1="{a[0]:.2f}" y1="{a[1]:.2f}" x2="{b[0]:.2f}" y2="{b[1]:.2f}" '
        f'stroke="{ZONE_COLOURS[zone]}" stroke-width="{ZONE_WIDTHS[zone] * 0.6 * unit:.2f}"{_dashed(zone, unit)}/>'
        for _, zone, (a, b) in view.paths
    )
    sites = "".join(
        f'<path class="site" d="M{sx:.2f} {sy - 1.5 * unit:.2f}l{1.5 * unit:.2f} {1.5 * unit:.2f}'
        f'l{-1.5 * unit:.2f} {1.5 * unit:.2f}l{-1.5 * unit:.2f} {-1.5 * unit:.2f}z"/>'
        f'<text class="edge site-name" x="{sx + 2.4 * unit:.2f}" y="{sy + 1.5 * unit:.2f}" '
        f'font-size="{5.2 * unit:.2f}">{esc(name)}</text>'
        for name, (sx, sy) in view.sites
    )
    return f"{lines}{paths}{sites}"


def _remark(document: Mapping[str, Any], view: View) -> str:
    """What a reader must know about a picture, below it; empty where all is well."""
    if not view.matched:
        text = texts.OWN_PLANE.format(plane=view.plane, reason=view.reason)
        return f'<p class="remark"><b>{esc(texts.NOT_MATCHED)}</b> {esc(text)}</p>'
    words = [texts.NO_LESION] if not view.traces else []
    outlines = document["lesion"]["outlines"]
    refused = next((o["reason"] for o in outlines if o["scan"] == view.scan and o["trust"] == "withheld"), "")
    if view.traces and refused:
        words.append(texts.OUTLINE_WITHHELD.format(reason=refused))
    if any(kind == UNSEEN for _, kind in view.traces):
        words.append(texts.OUTLINE_UNSEEN)
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
            label = esc(texts.WIDE_FIGURE.format(what=texts.SECTIONS[DRAWN[name]]))
            return f'<div class="scroll" role="region" tabindex="0" aria-label="{label}">{image}</div>'
    return ""
