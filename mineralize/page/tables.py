"""The tables of the page: scans, quantities with foot notes, changes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ..base import MAIN, is_share
from ..results import shown, texts
from .parts import day, esc, folded, held, mark, measured, measured_interval, note_letter, table, within

MANYFOLD_PERCENT = 900.0
"""Beyond this a percent of a small beginning says less than the difference does."""


class FootNotes:
    """Reasons, each written once and lettered, with the scans and quantities that they are about.

    Reasons of changes are about no one scan: their trust is empty and their scan 0.
    """

    def __init__(self, prefix: str, quantities: int) -> None:
        self._prefix = prefix
        self._quantities = quantities
        self._about: dict[tuple[str, str], dict[int, list[str]]] = {}

    def link(self, trust: str, reason: str, scan: int, quantity: str) -> str:
        """A reference to a reason; the reason is kept for :meth:`render`."""
        key = (trust, reason)
        self._about.setdefault(key, {}).setdefault(scan, []).append(within(texts.quantity_title(quantity)))
        letter = note_letter(list(self._about).index(key))
        return f'<a class="foot" href="#{self._prefix}-{letter}"><span class="aloud">reason </span>{letter}</a>'

    def render(self) -> str:
        """The reasons as a list; empty where there are none."""
        items = []
        for i, ((trust, reason), scans_) in enumerate(self._about.items()):
            letter = note_letter(i)
            about = "; ".join(
                (f"scan {scan}: " if scan else "")
                + (texts.EVERYTHING if len(found) == self._quantities else ", ".join(found))
                for scan, found in scans_.items()
            )
            sign = f"{mark(trust)} " if trust else ""
            items.append(
                f'<li id="{self._prefix}-{letter}"><b>{letter}</b> {sign}'
                f'{esc(reason)} <span class="about">({esc(about)})</span></li>'
            )
        return folded(texts.REASONS, f'<ul class="notes">{"".join(items)}</ul>') if items else ""


def scans(document: Mapping[str, Any]) -> str:
    """One row per scan: how it was made and how it was lined up."""
    rows = []
    for i, scan in enumerate(document["scans"]):
        a, at = scan["acquisition"], f"/scans/{i}"
        align = document["alignment"][i]

        def number(key: str, unit: str, decimals: int, *, held_in: Any = a, base: str = at) -> str:
            if held_in[key] is None:
                return "not stated"
            return held(f"{base}/acquisition/{key}", shown.number(held_in[key], decimals)) + shown.THIN + unit

        if align["scan"] == align["reference_scan"]:
            lined = "reference"
        else:
            residual = align["residual_mm"]
            lined = mark(align["trust"])
            if align["trust"] != "withheld" and residual is not None:
                lined += ", bone to bone " + held(f"/alignment/{i}/residual_mm", shown.number(residual, 2)) + " mm"
            if align["reason"]:
                lined += f'<br><span class="about">{esc(align["reason"])}</span>'
        contrast = {True: "given", False: "none", None: "not stated"}[a["contrast_agent"]]
        date = f'<br><span class="about">{esc(scan["date"])}</span>' if scan.get("date") else ""
        rows.append(
            f'<tr><th scope="row">{scan["scan"]}</th><td>{day(document, scan["scan"])}{date}</td>'
            f"<td>{number('kvp', 'kVp', 0)}</td><td>{number('slice_thickness_mm', 'mm', 2)}</td>"
            f"<td>{number('slice_spacing_mm', 'mm', 2)}</td><td>{number('pixel_spacing_mm', 'mm', 2)}</td>"
            f"<td>{esc(a['kernel'] or 'not stated')}</td><td>{contrast}</td><td>{lined}</td></tr>"
        )
    head = ("Scan", "Day", "Tube voltage", "Slice", "Spacing", "Pixel", "Kernel", "Contrast agent", "Lined up")
    return table("Scans: how each was made and lined up", head, f"<tbody>{''.join(rows)}</tbody>", "scans")


def quantities(document: Mapping[str, Any]) -> str:
    """All quantities by group, one column per scan, with interval, trust and lettered reasons."""
    at = {(r["scan"], r["quantity"]): i for i, r in enumerate(document["measurements"])}
    numbers = [s["scan"] for s in document["scans"]]
    groups = shown.in_groups(document["measurements"])
    notes = FootNotes("why", sum(len(group) for _, group in groups))
    body = ""
    for title, group in groups:
        rows = ""
        for quantity in group:
            cells = "".join(_cell(document, at.get((n, quantity)), notes) for n in numbers)
            meaning = texts.quantity_meaning(quantity)
            about = f'<span class="about">{esc(meaning)}</span>' if meaning else ""
            rows += f'<tr><th scope="row">{esc(texts.quantity_title(quantity))} {about}</th>{cells}</tr>'
        span = len(numbers) + 1
        body += f'<tbody><tr class="group"><th scope="rowgroup" colspan="{span}">{esc(title)}</th></tr>{rows}</tbody>'
    head = ["Quantity", *(day(document, n) for n in numbers)]
    return table("Quantities by scan, with interval and trust", head, body, "wide") + notes.render()


def _cell(document: Mapping[str, Any], index: int | None, notes: FootNotes) -> str:
    if index is None:
        return '<td class="empty">–</td>'
    row = document["measurements"][index]
    about = (row["scan"], row["quantity"])
    if row["trust"] == "withheld":
        foot = notes.link("withheld", row["reason"], *about)
        return f'<td class="gone">{mark("withheld")}{foot}</td>'
    tail = f" {mark(row['trust'], words=False)}"
    if row["trust"] == "caution":
        tail += notes.link("caution", row["reason"], *about)
    interval = measured_interval(document, index)
    below = f'<span class="interval">{interval}</span>' if interval else ""
    return f"<td>{measured(document, index)}{tail}{below}</td>"


def changes(document: Mapping[str, Any]) -> str:
    """The widest pair of scans in full, the neighbouring pairs as a matrix of verdicts."""
    rows = document["changes"]
    pairs = sorted({(r["from_scan"], r["to_scan"]) for r in rows}, key=lambda p: (p[0], p[1]))
    if not pairs:
        return f"<p>{esc(texts.ONE_SCAN)}</p>"
    first, last = document["correlation"].get("baseline", (pairs[0][0], pairs[-1][1]))
    widest = (first, last) if (first, last) in pairs else max(pairs, key=lambda p: p[1] - p[0])
    html = _pair(document, *widest)
    others = [p for p in pairs if p != widest and p[1] - p[0] == min(q[1] - q[0] for q in pairs)]
    if others:
        html += _matrix(document, others)
    return html


def _pair(document: Mapping[str, Any], first: int, last: int) -> str:
    units = _units(document)
    notes = FootNotes("because", 0)
    body = ""
    for i, c in enumerate(document["changes"]):
        if (c["from_scan"], c["to_scan"]) != (first, last) or c["quantity"] not in MAIN:
            continue
        title = f'<th scope="row">{esc(texts.quantity_title(c["quantity"]))}</th>'
        if c["difference"] is None:
            body += f'<tr>{title}<td class="gone" colspan="4">{mark("withheld")}</td>'
        else:
            unit = (
                "points" if is_share(c["quantity"]) else shown.unit_words(c["quantity"], units.get(c["quantity"], "1"))
            )
            interval = ""
            if c["low"] is not None and c["high"] is not None:
                interval = f'<span class="interval">{_held(units, c, i, "low")} to {_held(units, c, i, "high")}</span>'
            body += (
                f"<tr>{title}<td>{_held(units, c, i, 'difference')} {esc(unit)}{interval}</td><td>{_percent(c, i)}</td>"
                f"<td>{_held(units, c, i, 'per_30_days')}</td><td>{_doubling(c, i)}</td>"
            )
        reason = notes.link("", c["reason"], 0, c["quantity"]) if c["reason"] else ""
        body += f'<td class="verdict {c["real"]}"><b>{esc(texts.REAL[c["real"]])}</b>{reason}</td></tr>'
    caption = f"From scan {first} to scan {last}"
    head = ("Quantity", "Difference", "Percent", "Per 30 days", "Doubling (−: halving), days", "Verdict")
    lead = f"<h3>From {day(document, first)} to {day(document, last)}</h3>"
    return lead + table(caption, head, f"<tbody>{body}</tbody>", "plain") + notes.render()


def _matrix(document: Mapping[str, Any], pairs: list[tuple[int, int]]) -> str:
    at = {(c["from_scan"], c["to_scan"], c["quantity"]): i for i, c in enumerate(document["changes"])}
    units = _units(document)
    body = ""
    for quantity in dict.fromkeys(c["quantity"] for c in document["changes"] if c["quantity"] in MAIN):
        cells = ""
        for pair in pairs:
            i = at.get((*pair, quantity))
            if i is None:
                cells += '<td class="empty">–</td>'
                continue
            c = document["changes"][i]
            amount = f"{_held(units, c, i, 'difference')} " if c["difference"] is not None else ""
            cells += f'<td class="{c["real"]}">{amount}<span class="interval">{esc(texts.REAL[c["real"]])}</span></td>'
        body += f'<tr><th scope="row">{esc(texts.quantity_title(quantity))}</th>{cells}</tr>'
    head = ["Quantity", *(f"{day(document, a)} to {day(document, b)}" for a, b in pairs)]
    matrix = table("Differences between neighbouring scans", head, f"<tbody>{body}</tbody>", "wide")
    return folded(texts.NEIGHBOURS, matrix)


def _units(document: Mapping[str, Any]) -> dict[str, str]:
    return {r["quantity"]: r["unit"] for r in document["measurements"]}


def _held(units: Mapping[str, str], c: Mapping[str, Any], index: int, key: str) -> str:
    value = c[key]
    if value is None:
        return "–"
    if key == "per_30_days":
        decimals = shown.places(c["quantity"], units.get(c["quantity"], "1"), value)
    else:
        decimals = shown.places(c["quantity"], units.get(c["quantity"], "1"), c["difference"], c["low"], c["high"])
    return held(
        f"/changes/{index}/{key}",
        shown.scaled(c["quantity"], units.get(c["quantity"], "1"), value, decimals, sign=True),
    )


def _percent(c: Mapping[str, Any], index: int) -> str:
    if c["percent"] is None:
        return "–"
    if abs(c["percent"]) > MANYFOLD_PERCENT:
        return texts.MANYFOLD
    return held(f"/changes/{index}/percent", shown.number(c["percent"], 0, sign=True)) + f"{shown.THIN}%"


def _doubling(c: Mapping[str, Any], index: int) -> str:
    if c["doubling_days"] is None:
        return "–"
    return held(f"/changes/{index}/doubling_days", shown.number(c["doubling_days"], 0))


def biopsy(document: Mapping[str, Any], index: int) -> str:
    """Where one biopsy lies in every scan: given in one of them, carried to the others."""
    report = document["correlation"]["biopsies"][index]
    at = f"/correlation/biopsies/{index}"
    sites = [(f"{at}/site", report["site"]), *((f"{at}/carried/{k}", s) for k, s in enumerate(report["carried"]))]
    body, told = "", set[str]()
    for pointer, site in sorted(sites, key=lambda pair: pair[1]["scan"]):
        given = texts.GIVEN_HERE if site is report["site"] else ""
        first = f'<th scope="row">scan {site["scan"]}<span class="about">{esc(given)}</span></th>'
        if site["trust"] == "withheld":
            body += f'<tr>{first}<td colspan="8">{mark("withheld")}: {esc(site["reason"])}</td></tr>'
            continue
        depth = f"{_site(pointer, site, 'depth_mm', 1)} mm"
        if site.get("depth_low_mm") is not None and site.get("depth_high_mm") is not None:
            low, high = _site(pointer, site, "depth_low_mm", 1), _site(pointer, site, "depth_high_mm", 1)
            depth += f'<span class="interval">{low} to {high}</span>'
        track = texts.SAME_TRACK if site.get("track", "") in told else site.get("track", "")
        told.add(site.get("track", ""))
        zone = shown.zones([site["zone"]]) if site["zone"] else "–"
        error = f"within {_site(pointer, site, 'error_mm', 1)} mm" if site.get("error_mm") else ""
        body += (
            f"<tr>{first}<td>{day(document, site['scan'])}</td><td>{esc(zone)}</td><td>{depth}</td>"
            f"<td>{_site(pointer, site, 'normalised_depth', 2)}</td><td>{esc(site.get('direction_words', ''))}</td>"
            f"<td>{_site(pointer, site, 'ball_hu', 0)} HU</td><td>{esc(site['rim_state'])}</td>"
            f'<td>{mark(site["trust"])} {error}<span class="about">{esc(track)}</span></td></tr>'
        )
    name = f"B{report['number']}"
    head = (
        name,
        "Day",
        "Zone",
        "Depth",
        'Depth<span class="about">0 outline, 1 deepest</span>',
        "Direction",
        "Around it",
        "Shell there",
        'Position<span class="about">as far as bone tells</span>',
    )
    return table(f"Biopsy {report['number']} in every scan", head, f"<tbody>{body}</tbody>", "scans")


def _site(pointer: str, site: Mapping[str, Any], key: str, decimals: int) -> str:
    value = site.get(key)
    return "–" if value is None else held(f"{pointer}/{key}", shown.number(value, decimals))
