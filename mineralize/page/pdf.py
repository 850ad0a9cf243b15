"""``summary.pdf``: at most two A4 pages from the same record as the page, to print and lay beside the slides."""

from __future__ import annotations

import io
from collections.abc import Mapping
from typing import Any

from matplotlib.backends.backend_pdf import PdfPages

from ..figures import (
    EVENT_MARK,
    INK,
    QUIET,
    ROSE,
    RULE,
    VIOLET,
    Pictures,
    course_panel,
    look,
    picture,
    profile_panel,
    rim_panel,
    scales_of,
)
from ..results import shown, texts
from ..study import Study
from .parts import MARKS, cautions
from .pdf_parts import Column, Sheet, width_mm

LEFT, RIGHT, TOP, BOTTOM = 13.0, 197.0, 12.0, 287.0
WIDTH = RIGHT - LEFT
MOST_COLUMNS = 6
"""More scans than this are shown as the first, the last and those evenly between; the page shows all."""


def render(study: Study, document: Mapping[str, Any], pictures: Pictures) -> bytes:
    """The PDF as bytes; no author, date or program in it."""
    held = io.BytesIO()
    empty = {"Creator": None, "Producer": None, "CreationDate": None}
    with look(), PdfPages(held, metadata={"Title": f"{document['case']}: {texts.TITLE}", **empty}) as book:
        for sheet in (_first(document, pictures), _second(study, document)):
            book.savefig(sheet.figure)
    return held.getvalue()


def _chosen(document: Mapping[str, Any]) -> list[int]:
    """Places of the scans that are shown."""
    count = len(document["scans"])
    if count <= MOST_COLUMNS:
        return list(range(count))
    return sorted({round(i * (count - 1) / (MOST_COLUMNS - 1)) for i in range(MOST_COLUMNS)})


def _first(document: Mapping[str, Any], pictures: Pictures) -> Sheet:
    sheet = Sheet()
    column = Column(sheet, LEFT, TOP, WIDTH, BOTTOM)
    column.write(f"{document['case']}   {texts.TITLE}", 13, weight="bold", after=0.6)
    column.write(texts.NOT_A_DEVICE, 7, colour=QUIET, after=2.5)
    _facts(sheet, column, document)
    column.title(texts.SECTIONS["timeline"])
    _timeline(sheet, column, document)
    chosen = _chosen(document)
    column.title(texts.SECTIONS["planes"])
    if not pictures.views:
        column.write(texts.PLANES_WITHHELD, 8)
    for views in pictures.views.values():
        side = min(WIDTH / max(len(chosen), 4) - 1.5, 44.0)
        column.y += 3.8
        remark = 0.0
        for k, i in enumerate(chosen):
            x = LEFT + k * (side + 1.5)
            sheet.line(f"day {document['scans'][i]['day']}", x, column.y - 3.6, 7.5, weight="bold")
            axes = sheet.axes(x, column.y, side, side)
            picture(axes, views[i], document["pictures"])
            if not views[i].matched:
                remark = 4.0
        column.y += side + 1.5 + remark
    if pictures.views:
        shared = document["pictures"]
        low, high = (shown.number(v, 0) for v in shared["window_hu"])
        column.write(
            f"Every picture {shown.number(shared['field_of_view_mm'], 0)} mm wide, window {low} to {high} HU. "
            f"{texts.TRACE}",
            6.5, colour=QUIET, after=2,
        )  # fmt: skip
    column.title(texts.SECTIONS["findings"])
    half = (WIDTH - 5) / 2
    said = [(f"{MARKS[f['trust']]} {f['text']}", INK) for f in document["correlation"]["findings"]]
    _flow([Column(sheet, LEFT + k * (half + 5), column.y, half, BOTTOM) for k in range(2)], said, texts.NO_FINDINGS)
    return sheet


def _facts(sheet: Sheet, column: Column, document: Mapping[str, Any]) -> None:
    rows = {q: [r for r in document["measurements"] if r["quantity"] == q] for q in texts.HEADLINES}
    rows = {q: found for q, found in rows.items() if found}
    column.title(texts.SECTIONS["facts"])
    if not rows:
        return
    room = WIDTH / len(rows)
    lowest = column.y
    for k, (quantity, found) in enumerate(rows.items()):
        last = found[-1]
        fact = Column(sheet, LEFT + k * room, column.y, room - 3, BOTTOM)
        fact.write(f"{texts.quantity_title(quantity)}, day {last['day']}", 6.8, colour=QUIET, after=0.3)
        if last["trust"] == "withheld":
            fact.write(f"{MARKS['withheld']} {texts.TRUST['withheld']}: {last['reason']}", 6.8, colour=ROSE)
        else:
            fact.write(shown.value(last) + shown.unit(last), 11.5, weight="bold", after=0.3)
            fact.write(f"{shown.interval(last)} {MARKS[last['trust']]} {texts.TRUST[last['trust']]}", 6.5, after=0.3)
            pairs = [
                c
                for c in document["changes"]
                if c["quantity"] == quantity and c["to_scan"] == last["scan"] and c["difference"] is not None
            ]
            change = min(pairs, key=lambda c: c["from_scan"], default=None)
            if change is not None:
                start = next(r for r in found if r["scan"] == change["from_scan"])
                fact.write(
                    f"from {shown.value(start)}{shown.unit(start)} on day {start['day']}: "
                    f"{texts.FACT_CHANGE[change['real']]}",
                    6.5,
                )
        lowest = max(lowest, fact.y)
    column.y = lowest + 2


def _timeline(sheet: Sheet, column: Column, document: Mapping[str, Any]) -> None:
    scans, events = document["scans"], document["events"]
    days = [s["day"] for s in scans] + [e["day"] for e in events]
    first, span = min(days), max(max(days) - min(days), 1)
    axes = sheet.axes(LEFT, column.y, WIDTH, 10)
    axes.set(xlim=(0, 1), ylim=(0, 1))
    axes.axis("off")
    axes.plot([0, 1], [0.45, 0.45], color=INK, lw=0.8)
    ends: list[float] = []
    for s in scans:
        x = 0.03 + 0.94 * (s["day"] - first) / span
        axes.plot([x, x], [0.3, 0.6], color=VIOLET, lw=1.6)
        text = f"day {s['day']}"
        half = width_mm(text, 6.5, "bold") / WIDTH / 2 + 0.004
        place = max(x, (ends[-1] if ends else -1.0) + half)
        ends.append(place + half)
        axes.text(place, 0.22, text, ha="center", va="top", fontsize=6.5, fontweight="bold", color=VIOLET)
    reach = -1.0
    for e in events:
        x = 0.03 + 0.94 * (e["day"] - first) / span
        text = f"{EVENT_MARK[e['kind']]} {e['text'] or texts.EVENTS[e['kind']]}, day {e['day']}"
        wide = width_mm(text, 6.5) / WIDTH
        place = min(max(x, reach), 1 - wide)
        axes.plot([x, x], [0.45, 0.62], color=QUIET, lw=0.7)
        axes.text(place, 0.72, text, ha="left", va="bottom", fontsize=6.5, color=QUIET, parse_math=False)
        reach = place + wide + 0.012
    column.y += 11
    column.write(texts.DAY_ZERO[document["day_zero"]], 6.5, colour=QUIET, after=2)


def _course(sheet: Sheet, column: Column, document: Mapping[str, Any]) -> None:
    rows = {q: [r for r in document["measurements"] if r["quantity"] == q] for q in texts.CURVES}
    rows = {q: found for q, found in rows.items() if any(r["value"] is not None for r in found)}
    if len(document["scans"]) < 2 or not rows:
        return
    column.title(texts.SECTIONS["curves"])
    room, height = WIDTH / len(rows), 23.0
    for k, (quantity, found) in enumerate(rows.items()):
        axes = sheet.axes(LEFT + k * room + 10, column.y + 5.5, room - 13, height)
        course_panel(axes, quantity, found, document)
        axes.set_title(axes.get_title(loc="left"), loc="left", fontsize=7, pad=9)
        axes.xaxis.label.set_fontsize(6.5)
        axes.tick_params(labelsize=6)
    column.y += height + 14.5
    column.write(texts.CAPTION_COURSE, 6, colour=QUIET, after=1.5)


def _second(study: Study, document: Mapping[str, Any]) -> Sheet:
    sheet = Sheet()
    sign_at = BOTTOM - 22
    column = Column(sheet, LEFT, TOP, WIDTH, sign_at - 3)
    column.title(texts.SECTIONS["quantities"])
    _table(sheet, column, document)
    _course(sheet, column, document)
    _plots(sheet, column, study, document)
    half = (WIDTH - 5) / 2
    left, right = (Column(sheet, LEFT + k * (half + 5), column.y, half, sign_at - 2) for k in range(2))
    left.title(texts.BIOPSY)
    reports = document["correlation"]["biopsies"]
    lines = [(r["caution"], ROSE) for r in reports if r["caution"]]
    lines += [(_site_line(document, r["number"], r["site"]), INK) for r in reports]
    lines += [(_site_line(document, r["number"], site), INK) for r in reports for site in r["carried"]]
    _flow([left], lines, texts.NO_BIOPSY)
    right.title(texts.SECTIONS["cautions"])
    warned = [(f"{about}: {text}" if about else text, INK) for about, text, _ in cautions(document)]
    _flow([right], warned, texts.NO_CAUTIONS)
    foot = Column(sheet, LEFT, sign_at, WIDTH, BOTTOM + 3)
    foot.write(texts.EXPERT_REVIEW, 6.8, after=6)
    third = (WIDTH - 10) / 3
    for k, name in enumerate(texts.SIGNATURES):
        x = LEFT + k * (third + 5)
        sheet.rule(x, foot.y, third, thick=0.6)
        sheet.line(name, x, foot.y + 1, 7, colour=QUIET)
    version = document["provenance"]["version"]
    sheet.line(f"mineralize {version}. {texts.ALL_NUMBERS_PDF}", LEFT, BOTTOM - 1, 6, colour=QUIET)
    return sheet


def _site_line(document: Mapping[str, Any], number: int, site: Mapping[str, Any]) -> str:
    if site["trust"] == "withheld" or site["depth_mm"] is None:
        return texts.SITE_WITHHELD.format(number=number, scan=site["scan"], reason=site["reason"])
    return texts.SITE_LINE.format(
        number=number,
        scan=site["scan"],
        day=next(s["day"] for s in document["scans"] if s["scan"] == site["scan"]),
        zone=site["zone"],
        depth=shown.number(site["depth_mm"], 1),
        share=shown.number(site["normalised_depth"], 2),
        direction=site["direction_words"] or texts.NO_DIRECTION,
        rim=site["rim_state"],
        hu="–" if site["ball_hu"] is None else shown.number(site["ball_hu"], 0),
    )


def _flow(columns: list[Column], lines: list[tuple[str, str]], none: str) -> None:
    """As many lines as the columns hold, one column after the other; the rest is left to the page, and said so."""
    if not lines:
        columns[0].write(none, 6.8)
    place = 0
    for k, (text, colour) in enumerate(lines):
        while place < len(columns):
            column = columns[place]
            full = column.bottom
            last = place == len(columns) - 1
            column.bottom = full - 4.5 if last and k < len(lines) - 1 else full
            written = column.write(text, 6.8, colour=colour, after=1.1)
            column.bottom = full
            if written:
                break
            if last:
                column.write(texts.MORE_ON_PAGE, 6.8, weight="bold")
                return
            place += 1


def _table(sheet: Sheet, column: Column, document: Mapping[str, Any]) -> None:
    chosen = [document["scans"][i] for i in _chosen(document)]
    at = {(r["scan"], r["quantity"]): r for r in document["measurements"]}
    first = 38.0
    room = (WIDTH - first) / max(len(chosen), 4)
    for k, scan in enumerate(chosen):
        sheet.line(f"day {scan['day']}", LEFT + first + k * room, column.y, 7, weight="bold")
    column.y += 4
    sheet.rule(LEFT, column.y - 0.2, WIDTH, thick=0.6)
    column.y += 0.3
    for quantity in texts.PDF_ROWS:
        if not any((s["scan"], quantity) in at for s in chosen):
            continue
        sheet.line(texts.quantity_title(quantity), LEFT, column.y, 7)
        for k, scan in enumerate(chosen):
            row = at.get((scan["scan"], quantity))
            x = LEFT + first + k * room
            if row is None or row["value"] is None:
                sheet.line(f"{MARKS['withheld']} {texts.TRUST['withheld']}", x, column.y, 6.5, colour=ROSE)
                continue
            text = f"{shown.value(row)}{shown.unit(row)}"
            tail = "" if row["trust"] == "ok" else f" {MARKS[row['trust']]}"
            sheet.line(text + tail, x, column.y, 7, weight="bold")
            interval = shown.interval(row)
            if interval and width_mm(interval, 5.4) <= room - 1:
                sheet.line(interval, x, column.y + 2.8, 5.4, colour=QUIET)
        column.y += 5.7
        sheet.rule(LEFT, column.y - 0.2, WIDTH, colour=RULE, thick=0.4)
    column.y += 0.6
    column.write(f"{texts.INTERVALS_PDF}", 6.5, colour=QUIET, after=2.5)


def _plots(sheet: Sheet, column: Column, study: Study, document: Mapping[str, Any]) -> None:
    """The profile at the left, the rims at the right."""
    if not document["profiles"]:
        return
    half = (WIDTH - 5) / 2
    left = Column(sheet, LEFT, column.y, half, BOTTOM)
    right = Column(sheet, LEFT + half + 5, column.y, half, BOTTOM)
    left.title(texts.SECTIONS["profile"])
    axes = sheet.axes(LEFT + 10, left.y + 3, half - 27, 30)
    profile_panel(axes, document)
    for label in (axes.xaxis.label, axes.yaxis.label):
        label.set_fontsize(6.5)
    axes.tick_params(labelsize=6)
    for text in axes.texts:
        text.set_fontsize(6.2)
    held = [i for i in _chosen(document) if study.rim_maps[i] is not None]
    if held:
        right.title(texts.SECTIONS["rim"])
        columns = 3
        room = half / columns
        tall = (room - 5) / 1.952
        scale, _ = scales_of(study)
        for k, i in enumerate(held):
            x, y = right.x + (k % columns) * room, right.y + 3.2 + (k // columns) * (tall + 4)
            sheet.line(f"day {document['scans'][i]['day']}", x, y - 3, 6.5, weight="bold")
            rim_panel(sheet.axes(x, y, room - 5, tall), study, i, scale, thickness=False, letters=4.2)
        right.y += (-(-len(held) // columns)) * (tall + 4) + 2
        right.write(texts.CAPTION_RIM_PDF, 6, colour=QUIET)
    column.y = max(left.y + 43, right.y) + 1
