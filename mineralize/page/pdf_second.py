"""Page two of the PDF: measurements, course, maps, cautions, the impression, concordance, signatures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from ..figures import QUIET, ROSE, RULE, course_panel, profile_panel
from ..results import Record, Ticks, concordance, shown, texts
from .impression import answers_of
from .parts import MARKS, cautions_by_scan
from .pdf_parts import (
    BOTTOM,
    LEFT,
    LINE_MM,
    ROW_LINE_MM,
    SMALL,
    TOP,
    WIDTH,
    Column,
    Row,
    Sheet,
    one_line,
    rows,
    width_mm,
)

MOST_COLUMNS = 6
"""More scans than this are shown as the first, the last and those evenly between; the page shows all."""
NAMES_MM = 46.0
ONE_LINE_MM, LEAST_MAPS_MM = 44.0, 20.0
"""Width of a column from which a value and its interval stand on one line, and room without which no map is drawn."""
PLOTS_MM = 27.0
SLIDES_MM = 50.0
SIGN_MM = 13.0


def second_page(document: Mapping[str, Any], files: Mapping[str, bytes], impressions: Sequence[Record] = ()) -> Sheet:
    """The page; ``impressions`` are the recorded versions, oldest first."""
    sheet = Sheet()
    sign_at = BOTTOM - SIGN_MM
    slides_at = sign_at - SLIDES_MM
    column = Column(sheet, LEFT, TOP, WIDTH, slides_at)
    warned: list[Row] = [(about, text, "") for about, text in cautions_by_scan(document)]
    least = 6.5 + (-(-max(len(warned), 1) // 2) + 2) * ROW_LINE_MM
    column.title(texts.SECTIONS["quantities"])
    _table(sheet, column, document)
    _plots(sheet, column, document)
    _maps(sheet, column, files, slides_at - least)
    column.title(texts.SECTIONS["cautions"])
    half = (WIDTH - 5) / 2
    if warned:
        pair = [Column(sheet, LEFT + k * (half + 5), column.y, half, slides_at - 1) for k in range(2)]
        rows(pair, warned, 17.0)
    else:
        column.write(texts.NO_CAUTIONS, SMALL)
    _slides(sheet, slides_at, sign_at, impressions)
    third = (WIDTH - 10) / 3
    for k, name in enumerate(texts.SIGNATURES):
        x = LEFT + k * (third + 5)
        sheet.rule(x, sign_at + 5.2, third, thick=0.6)
        sheet.line(name, x, sign_at + 5.8, SMALL, colour=QUIET)
    version = document["provenance"]["version"]
    sheet.line(f"mineralize {version}. {texts.ALL_NUMBERS_PDF}", LEFT, BOTTOM - 1.5, SMALL, colour=QUIET)
    return sheet


def chosen(document: Mapping[str, Any]) -> list[int]:
    """Places of the scans that have a column."""
    count = len(document["scans"])
    if count <= MOST_COLUMNS:
        return list(range(count))
    return sorted({round(i * (count - 1) / (MOST_COLUMNS - 1)) for i in range(MOST_COLUMNS)})


def _table(sheet: Sheet, column: Column, document: Mapping[str, Any]) -> None:
    scans = [document["scans"][i] for i in chosen(document)]
    at = {(r["scan"], r["quantity"]): r for r in document["measurements"]}
    room = (WIDTH - NAMES_MM) / max(len(scans), 3)
    one = room >= ONE_LINE_MM
    for k, scan in enumerate(scans):
        sheet.line(f"day {scan['day']}", LEFT + NAMES_MM + k * room, column.y, SMALL, weight="bold")
    column.y += LINE_MM
    sheet.rule(LEFT, column.y, WIDTH, thick=0.6)
    column.y += 0.5
    for quantity in texts.PDF_ROWS:
        if not any((s["scan"], quantity) in at for s in scans):
            continue
        sheet.line(one_line(texts.quantity_title(quantity), SMALL, NAMES_MM - 1), LEFT, column.y, SMALL)
        for k, scan in enumerate(scans):
            row = at.get((scan["scan"], quantity))
            x = LEFT + NAMES_MM + k * room
            if row is None or row["value"] is None:
                sheet.line(f"{MARKS['withheld']} {texts.TRUST['withheld']}", x, column.y, SMALL, colour=ROSE)
                continue
            mark = "" if row["trust"] == "ok" else f" {MARKS[row['trust']]}"
            text = f"{shown.value(row)}{shown.unit(row)}{mark}"
            sheet.line(text, x, column.y, SMALL, weight="bold")
            interval = shown.interval(row)
            if interval and one:
                sheet.line(f"({interval})", x + width_mm(text, SMALL, "bold") + 1.2, column.y, SMALL, colour=QUIET)
            elif interval:
                sheet.line(f"({interval})", x, column.y + LINE_MM - 0.3, SMALL, colour=QUIET)
        column.y += LINE_MM + 0.3 if one else 2 * LINE_MM
        sheet.rule(LEFT, column.y - 0.15, WIDTH, colour=RULE, thick=0.4)
    column.y += 0.6
    column.write(texts.INTERVALS_PDF, SMALL, colour=QUIET, after=1.5)


def _plots(sheet: Sheet, column: Column, document: Mapping[str, Any]) -> None:
    found = {q: [r for r in document["measurements"] if r["quantity"] == q] for q in texts.CURVES}
    found = {q: r for q, r in found.items() if any(x["value"] is not None for x in r)}
    panels = len(found) if len(document["scans"]) > 1 else 0
    total = panels + (1.5 if document["profiles"] else 0)
    if not total:
        return
    column.title(texts.SECTIONS["curves"])
    room = WIDTH / total
    for k, (quantity, rows_) in enumerate(found.items() if panels else ()):
        axes = sheet.axes(LEFT + k * room + 10.5, column.y + 6.5, room - 14, PLOTS_MM - 10)
        course_panel(axes, quantity, rows_, document)
        axes.set_title(axes.get_title(loc="left"), loc="left", fontsize=SMALL, pad=9)
        _small(axes)
        axes.set_xlabel("")
    if document["profiles"]:
        axes = sheet.axes(LEFT + panels * room + 11, column.y + 6.5, 1.5 * room - 15, PLOTS_MM - 10)
        profile_panel(axes, document)
        _small(axes)
        axes.set(ylabel="", xlabel="")
        axes.set_title(texts.PROFILE_PDF, loc="left", fontsize=SMALL, pad=9)
        for text in axes.texts:
            text.set_visible(False)
    column.y += PLOTS_MM + 2.2
    column.write(texts.CAPTION_COURSE.format(zero=document["day_zero"]), SMALL, colour=QUIET, after=1.5)


def _small(axes: Any) -> None:
    for label in (axes.xaxis.label, axes.yaxis.label):
        label.set_fontsize(SMALL)
    axes.tick_params(labelsize=SMALL)


def _maps(sheet: Sheet, column: Column, files: Mapping[str, bytes], bottom: float) -> None:
    data = files.get("rim_attenuation.png")
    room = bottom - column.y - 2 * LINE_MM - 9
    if data is None or room < LEAST_MAPS_MM:
        return
    column.title(texts.SECTIONS["rim"])
    _, tall = sheet.image(data, LEFT, column.y, width=WIDTH, height=room)
    column.y += tall + 0.5
    column.write(texts.CAPTION_RIM_PDF, SMALL, colour=QUIET, after=1.5)


def _slides(sheet: Sheet, top: float, bottom: float, impressions: Sequence[Record]) -> None:
    wide = WIDTH * 0.62
    left = Column(sheet, LEFT, top, wide - 4, bottom)
    left.title(texts.SECTIONS["impression"])
    before, after = _before_and_after(impressions)
    cell = (left.width - 34) / 2
    for k, (head, record) in enumerate(((texts.BEFORE, before), (texts.AFTER, after))):
        stamp = "" if record is None else f" (version {record.version})"
        sheet.line(f"{head}{stamp}", left.x + 34 + k * cell, left.y, SMALL, weight="bold")
    left.y += LINE_MM + 0.3
    told = [dict(answers_of(r)) if r is not None else {} for r in (before, after)]
    for name in texts.IMPRESSION_PDF:
        sheet.line(one_line(texts.IMPRESSION[name], SMALL, 33), left.x, left.y, SMALL)
        for k, answers in enumerate(told):
            x = left.x + 34 + k * cell
            sheet.line(one_line(answers.get(texts.IMPRESSION[name], ""), SMALL, cell - 2), x, left.y, SMALL)
            sheet.rule(x, left.y + LINE_MM - 0.1, cell - 2, colour=RULE, thick=0.5)
        left.y += LINE_MM + 0.35
    right = Column(sheet, LEFT + wide, top, WIDTH - wide, bottom)
    right.title(texts.SECTIONS["concordance"])
    latest = after or before
    held = concordance(Ticks() if latest is None else latest.impression.ticks)
    for row in held.rows:
        mark = "☒" if row.chosen else "☐"
        sheet.line(mark, right.x, right.y, SMALL + 1)
        cell_ = Column(sheet, right.x + 5, right.y + 0.2, right.width - 5, bottom)
        cell_.write(row.label, SMALL, weight="bold" if row.chosen else "normal", after=0.5)
        right.y = cell_.y
    note = texts.CONCORDANCE_NOTE if latest is None or not held.reasons else "; ".join(held.reasons)
    right.write(note, SMALL, colour=QUIET, after=0)


def _before_and_after(impressions: Sequence[Record]) -> tuple[Record | None, Record | None]:
    """The last version recorded before the findings were opened, and the last one after."""
    before = [r for r in impressions if not r.findings_seen]
    after = [r for r in impressions if r.findings_seen]
    return (before[-1] if before else None), (after[-1] if after else None)
