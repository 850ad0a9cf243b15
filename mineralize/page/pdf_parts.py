"""Setting text on a page in millimetres: measured, wrapped, and never beyond its column."""

from __future__ import annotations

import re
from functools import lru_cache

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.lines import Line2D
from matplotlib.textpath import text_to_path

from ..base import plain_text
from ..figures import INK

PAGE_MM = (210.0, 297.0)
"""ISO 216 A4, upright."""
POINT_MM = 25.4 / 72
LEADING = 1.32


def width_mm(text: str, size: float, weight: str = "normal") -> float:
    """Width of a line of text: of its words, and of the blanks between, with which no letter is kerned."""
    return size * sum(_width(piece, weight) for piece in _PIECES.findall(text))


_PIECES = re.compile(r" +|[^ ]+")
_SIZE = 10.0


@lru_cache(maxsize=4096)
def _width(piece: str, weight: str) -> float:
    """Width in mm a point of size, which does not depend on the size: outlines are not hinted."""
    font = FontProperties(family="DejaVu Sans", size=_SIZE, weight=weight)
    width, _, _ = text_to_path.get_text_width_height_descent(piece, font, ismath=False)
    return float(width) * POINT_MM / _SIZE


def lines_of(text: str, size: float, room_mm: float, weight: str = "normal") -> list[str]:
    """Text broken at blanks into lines that fit ``room_mm``."""
    lines: list[str] = []
    wide, blank = 0.0, width_mm(" ", size, weight)
    for word in text.split(" "):
        own = width_mm(word, size, weight)
        if lines and wide + blank + own <= room_mm:
            lines[-1] += f" {word}"
            wide += blank + own
        else:
            lines.append(word)
            wide = own
    return lines


class Sheet:
    """One A4 page; positions are mm from its upper left corner."""

    def __init__(self) -> None:
        width, height = PAGE_MM
        self.figure = Figure(figsize=(width / 25.4, height / 25.4))

    def axes(self, x: float, y: float, width: float, height: float) -> Axes:
        """Axes over a box."""
        w, h = PAGE_MM
        return self.figure.add_axes((x / w, 1 - (y + height) / h, width / w, height / h))

    def line(self, text: str, x: float, y: float, size: float, *, weight: str = "normal", colour: str = INK) -> None:
        """One line of text with its top at ``y``."""
        w, h = PAGE_MM
        self.figure.text(
            x / w,
            1 - y / h,
            plain_text(text),
            fontsize=size,
            fontweight=weight,
            color=colour,
            va="top",
            parse_math=False,
        )

    def rule(self, x: float, y: float, width: float, *, colour: str = INK, thick: float = 0.8) -> None:
        """A horizontal line."""
        w, h = PAGE_MM
        ends, height = (x / w, (x + width) / w), 1 - y / h
        self.figure.add_artist(Line2D(ends, (height, height), color=colour, lw=thick))


class Column:
    """Writes paragraphs downward from ``y`` to at most ``bottom``; a paragraph that does not fit is not begun."""

    def __init__(self, sheet: Sheet, x: float, y: float, width: float, bottom: float) -> None:
        self._sheet = sheet
        self.x, self.y, self.width, self.bottom = x, y, width, bottom

    def write(self, text: str, size: float, *, weight: str = "normal", colour: str = INK, after: float = 1.0) -> bool:
        """Write a paragraph; false (and nothing written) where there is no room for it."""
        lines = lines_of(text, size, self.width, weight)
        step = size * LEADING * POINT_MM
        if self.y + step * len(lines) > self.bottom:
            return False
        for line in lines:
            self._sheet.line(line, self.x, self.y, size, weight=weight, colour=colour)
            self.y += step
        self.y += after
        return True

    def title(self, text: str) -> None:
        """A section title under a rule."""
        self._sheet.rule(self.x, self.y, self.width)
        self.y += 1.2
        self.write(text, 9.5, weight="bold", after=1.2)
