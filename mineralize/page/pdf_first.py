"""Page one of the PDF: answers, time line, pictures, needle, every finding as a row."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ..figures import EVENT_MARK, INK, PATH_COLOURS, QUIET, ROSE, VIOLET, needle_panel
from ..results import shown, texts
from .parts import MARKS, by_topic
from .pdf_parts import (
    BOTTOM,
    LEFT,
    LINE_MM,
    RIGHT,
    ROW_LINE_MM,
    SMALL,
    TOP,
    WIDTH,
    Column,
    Sheet,
    full_height,
    lines_of,
    rows,
    size_of,
    width_mm,
)

ANSWER_HEAD_MM = 22.0
TOPIC_HEAD_MM = 33.0
NEEDLE_MM = 42.0
DRAWING_MM, DRAWING_SHARE, NEEDLE_MOST_MM = 46.0, 0.4, 84.0
"""Width of the drawing of a path at most, in mm and as a share of the room, and height of all of it at most."""
EVENT_GAP_MM, PATH_GAP_MM = 1.2, 2.5
"""Room left of the line of an event for its words, and under the words of a path."""
PICTURES_MM = 136.0
"""Room kept for time line, pictures and needle before the rows below may take more than one line each."""


def first_page(document: Mapping[str, Any], files: Mapping[str, bytes]) -> Sheet:
    """The page; ``files`` are the drawn figures by file name."""
    sheet = Sheet()
    column = Column(sheet, LEFT, TOP, WIDTH, BOTTOM)
    column.write(f"{document['case']}   {texts.TITLE}", 13, weight="bold", after=0.4)
    column.write(texts.NOT_A_DEVICE, SMALL, colour=QUIET, after=1.6)
    _answers(sheet, column, document)
    column.title(texts.SECTIONS["planes"])
    _timeline(sheet, column, document)
    topics = by_topic(document)
    biopsies = document["correlation"]["biopsies"]
    half = (WIDTH - 5) / 2
    short = -(-len(topics) // 2) * ROW_LINE_MM + 8
    least = max(short, min(full_height(topics, half, TOPIC_HEAD_MM) + 9, BOTTOM - column.y - PICTURES_MM))
    height = _needle_height(document) if biopsies else 4.0
    _pictures(sheet, column, document, files, BOTTOM - least - height - 8)
    _needle(sheet, column, document, height)
    column.title(texts.SECTIONS["findings"])
    pair = [Column(sheet, LEFT + k * (half + 5), column.y, half, BOTTOM) for k in range(2)]
    rows(pair, topics, TOPIC_HEAD_MM)
    return sheet


def _answers(sheet: Sheet, column: Column, document: Mapping[str, Any]) -> None:
    for answer in document["correlation"].get("answers", ()):
        lines = lines_of(f"{MARKS[answer['trust']]} {answer['text']}", 9, WIDTH - ANSWER_HEAD_MM)
        colour = ROSE if answer["trust"] == "withheld" else INK
        sheet.line(texts.QUESTIONS[answer["question"]], LEFT, column.y, 9, weight="bold")
        for line in lines:
            sheet.line(line, LEFT + ANSWER_HEAD_MM, column.y, 9, colour=colour)
            column.y += 4.1
        column.y += 0.5
    column.y += 1.5


def _timeline(sheet: Sheet, column: Column, document: Mapping[str, Any]) -> None:
    scans, events = document["scans"], document["events"]
    days = [s["day"] for s in scans] + [e["day"] for e in events]
    first, span = int(min(days)), int(max(max(days) - min(days), 1))

    def place(day: int) -> float:
        return float(LEFT + WIDTH * (0.03 + 0.94 * (day - first) / span))

    said = [f"{EVENT_MARK[e['kind']]} {e['text'] or texts.EVENTS[e['kind']]}, day {e['day']}" for e in events]
    # from the right, so that the line from a label down to its tick passes left of the labels below it
    boxes_above = [(place(e["day"]) - 1.2, width_mm(t, SMALL)) for e, t in zip(events, said, strict=True)]
    above = stacked(boxes_above)
    top = column.y
    line = top + (max(above, default=-1) + 1) * LINE_MM + 0.8
    axes = sheet.axes(LEFT, top, WIDTH, line + 3.2 - top)
    axes.set(xlim=(LEFT, RIGHT), ylim=(line + 3.2, top))
    axes.axis("off")
    axes.plot([LEFT, RIGHT], [line + 1.6] * 2, color=INK, lw=0.8)
    deepest = max(above, default=0)
    for e, text, level in zip(events, said, above, strict=True):
        x, y = place(e["day"]), top + (deepest - level) * LINE_MM
        at = min(x - EVENT_GAP_MM, RIGHT - width_mm(text, SMALL))
        axes.plot([x, x], [line + 1.6, y + LINE_MM - 0.4], color=QUIET, lw=0.7)
        sheet.line(text, at, y, SMALL, colour=QUIET)
    named = [f"day {s['day']}" for s in scans]
    boxes = [(place(s["day"]) - width_mm(t, SMALL, "bold") / 2, width_mm(t, SMALL, "bold"))
             for s, t in zip(scans, named, strict=True)]  # fmt: skip
    below = levels(boxes)
    for s, text, (x, wide), level in zip(scans, named, boxes, below, strict=True):
        axes.plot([place(s["day"])] * 2, [line, line + 3.2], color=VIOLET, lw=1.8)
        at = min(max(x, LEFT), RIGHT - wide)
        sheet.line(text, at, line + 3.5 + level * LINE_MM, SMALL, weight="bold", colour=VIOLET)
    column.y = line + 3.8 + (max(below) + 1) * LINE_MM
    column.write(texts.DAY_ZERO[document["day_zero"]], SMALL, colour=QUIET, after=1.2)


def stacked(boxes: list[tuple[float, float]]) -> list[int]:
    """Like :func:`levels`, the outermost at the right lowest."""
    found: list[int] = [0] * len(boxes)
    begins: list[float] = []
    for k in sorted(range(len(boxes)), key=lambda k: -boxes[k][0]):
        left, wide = boxes[k]
        level = next((n for n, begin in enumerate(begins) if left + wide + 1.0 < begin), len(begins))
        if level == len(begins):
            begins.append(0.0)
        begins[level] = left
        found[k] = level
    return found


def levels(boxes: list[tuple[float, float]]) -> list[int]:
    """Rows of labels, given as (left, width) in mm, so that each stands at its tick and none over another."""
    ends: list[float] = []
    found = []
    for left, wide in boxes:
        level = next((k for k, end in enumerate(ends) if left > end + 1.0), len(ends))
        if level == len(ends):
            ends.append(0.0)
        ends[level] = left + wide
        found.append(level)
    return found


def _pictures(
    sheet: Sheet, column: Column, document: Mapping[str, Any], files: Mapping[str, bytes], bottom: float
) -> None:
    strips = [name for name in files if name.startswith("planes_") and name.endswith(".png")]
    shared = document["pictures"]
    if not strips or shared is None:
        column.write(texts.PLANES_WITHHELD, SMALL)
        return
    legend = texts.strip_note(shared)
    tall_legend = len(lines_of(legend, SMALL, WIDTH)) * LINE_MM + 1.5
    for k, name in enumerate(strips):
        room = bottom - column.y - tall_legend
        if k and room < size_of(files[name])[1]:
            break  # smaller than it is made for its letters could not be read; the page has it
        _, tall = sheet.image(files[name], LEFT, column.y, width=WIDTH, height=room)
        column.y += tall + 1.0
    column.write(legend, SMALL, colour=QUIET, after=1.5)


def _side(report: Mapping[str, Any], room: float, height: float) -> tuple[float, float]:
    """Width and height in mm of a report's drawing."""
    section = report.get("section")
    if section is None:
        return 0.0, 0.0
    scale = min(height / section["height_mm"], min(DRAWING_MM, room * DRAWING_SHARE) / section["width_mm"])
    return section["width_mm"] * scale, section["height_mm"] * scale


def _needle_height(document: Mapping[str, Any]) -> float:
    """Room for the path and all of the caution of each report, and for a drawing that can be read."""
    shown_reports = document["correlation"]["biopsies"][:2]
    room = WIDTH / len(shown_reports)
    most = NEEDLE_MM
    for report in shown_reports:
        wide = room - _side(report, room, NEEDLE_MM)[0] - 7
        lines = len(lines_of(texts.path_note(report), SMALL, wide))
        lines += len(lines_of(report["caution"], SMALL, wide, "bold")) if report["caution"] else 0
        most = max(most, lines * LINE_MM + PATH_GAP_MM)
    return float(min(most, NEEDLE_MOST_MM))


def _needle(sheet: Sheet, column: Column, document: Mapping[str, Any], height: float) -> None:
    column.title(texts.SECTIONS["biopsy"])
    reports = document["correlation"]["biopsies"]
    if not reports:
        column.write(texts.NO_BIOPSY, SMALL, after=1.0)
        return
    room = WIDTH / len(reports[:2])
    lowest = column.y + height
    for k, report in enumerate(reports[:2]):
        x = LEFT + k * room
        wide, tall = _side(report, room, NEEDLE_MM)
        if tall:
            needle_panel(sheet.axes(x, column.y, wide, tall), report)
        side = Column(sheet, x + wide + 3, column.y, room - wide - 6, lowest)
        side.write(texts.path_note(report), SMALL, colour=PATH_COLOURS["rim"], after=0.8)
        if report["caution"]:
            side.write(report["caution"], SMALL, weight="bold", colour=ROSE, after=0.8)
        if lowest - side.y > 2 * LINE_MM:
            side.write(report["text"], SMALL, after=0.0)
    if len(reports) > 2:
        more = "; ".join(f"B{r['number']}: {shown.zones(r['zones'])}" for r in reports[2:])
        column.bottom, column.y = BOTTOM, lowest - LINE_MM
        column.write(more, SMALL, after=0.0)
    column.y = lowest + 1.5
    column.bottom = BOTTOM
