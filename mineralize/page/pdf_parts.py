"""Setting text on a page in millimetres: measured, wrapped, and never beyond its column."""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.image import imread
from matplotlib.lines import Line2D
from matplotlib.textpath import text_to_path

from ..base import Floats, neat, plain_text
from ..figures import INK, PNG_DPI

PAGE_MM = (210.0, 297.0)
"""ISO 216 A4, upright."""
LEFT, RIGHT, TOP, BOTTOM = 13.0, 197.0, 11.0, 288.0
WIDTH = RIGHT - LEFT
POINT_MM = 25.4 / 72
LEADING = 1.3
SMALL = 8.0
"""Points; nothing is set smaller."""
LINE_MM = SMALL * LEADING * POINT_MM
ROW_LINE_MM = LINE_MM + 0.12


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
    for word in neat(text).split(" "):
        own = width_mm(word, size, weight)
        if lines and wide + blank + own <= room_mm:
            lines[-1] += f" {word}"
            wide += blank + own
        else:
            lines.append(word)
            wide = own
    return lines


def one_line(text: str, size: float, room_mm: float, weight: str = "normal") -> str:
    """As much of a text as fits one line, with an ellipsis where something is cut."""
    text = neat(text)
    if width_mm(text, size, weight) <= room_mm:
        return text
    kept = ""
    for word in text.split(" "):
        if width_mm(f"{kept} {word} …", size, weight) > room_mm:
            break
        kept = f"{kept} {word}".strip()
    return f"{kept} …"


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
            neat(plain_text(text)),
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

    def image(self, data: bytes, x: float, y: float, *, width: float, height: float) -> tuple[float, float]:
        """A PNG drawn by this program at its own size, or smaller where the box asks for it; returns its size, mm."""
        pixels: Floats = np.asarray(imread(io.BytesIO(data)))
        rows, columns = pixels.shape[:2]
        natural = (columns * 25.4 / PNG_DPI, rows * 25.4 / PNG_DPI)
        factor = min(1.0, width / natural[0], height / natural[1])
        wide, tall = natural[0] * factor, natural[1] * factor
        axes = self.axes(x, y, wide, tall)
        axes.imshow(pixels, aspect="auto", interpolation="antialiased")
        axes.axis("off")
        return wide, tall


class Column:
    """Writes paragraphs downward from ``y`` to at most ``bottom``."""

    def __init__(self, sheet: Sheet, x: float, y: float, width: float, bottom: float) -> None:
        self.sheet = sheet
        self.x, self.y, self.width, self.bottom = x, y, width, bottom

    def write(self, text: str, size: float, *, weight: str = "normal", colour: str = INK, after: float = 1.0) -> None:
        """Write a paragraph; what has no room is cut at a word with an ellipsis, never dropped without one."""
        lines = lines_of(text, size, self.width, weight)
        step = size * LEADING * POINT_MM
        room = max(int((self.bottom - self.y) / step + 1e-6), 1)
        if len(lines) > room:
            lines = [*lines[: room - 1], one_line(" ".join(lines[room - 1 :]), size, self.width, weight)]
        for line in lines:
            self.sheet.line(line, self.x, self.y, size, weight=weight, colour=colour)
            self.y += step
        self.y += after

    def title(self, text: str) -> None:
        """A section title under a rule."""
        self.sheet.rule(self.x, self.y, self.width)
        self.y += 1.0
        self.write(text, 9.5, weight="bold", after=0.8)


Row = tuple[str, str, str]
"""Head, text and the mark of trust before it."""


def rows(columns: Sequence[Column], items: Sequence[Row], head_mm: float) -> None:
    """Every row, head in bold and text beside it, in one or two columns of equal height.

    All in full where they fit, else the longest cut to fewer lines, with an ellipsis. The columns must have room for
    one line of every row; then none is lost.
    """
    room = columns[0].width - head_mm
    texts = [lines_of(f"{mark} {text}".strip(), SMALL, room) for _, text, mark in items]
    heads = [lines_of(head, SMALL, head_mm - 1.5, "bold") for head, _, _ in items]
    limit = [(c.bottom - c.y + 0.2) / ROW_LINE_MM for c in columns]
    most = max((max(len(t), len(h)) for t, h in zip(texts, heads, strict=True)), default=1)
    while most > 1 and not _fits(_heights(texts, heads, most), limit):
        most -= 1
    heights = _heights(texts, heads, most)
    for k, whole in enumerate(_heights(texts, heads, 99)):
        wider = [*heights[:k], whole, *heights[k + 1 :]]
        if _fits(wider, limit):
            heights = wider
    split = _split(heights, len(columns))
    for k, (text, head, tall) in enumerate(zip(texts, heads, heights, strict=True)):
        column = columns[0] if k < split else columns[-1]
        for j, line in enumerate(_cut(head, tall, head_mm - 1.5, "bold")):
            column.sheet.line(line, column.x, column.y + j * LINE_MM, SMALL, weight="bold")
        for j, line in enumerate(_cut(text, tall, room)):
            column.sheet.line(line, column.x + head_mm, column.y + j * LINE_MM, SMALL)
        column.y += tall * ROW_LINE_MM
    end = max(c.y for c in columns)
    for column in columns:
        column.y = end


def full_height(items: Sequence[Row], width_mm_: float, head_mm: float) -> float:
    """Height in mm of rows in two columns of a width with every text in full."""
    texts = [lines_of(f"{mark} {text}".strip(), SMALL, width_mm_ - head_mm) for _, text, mark in items]
    heads = [lines_of(head, SMALL, head_mm - 1.5, "bold") for head, _, _ in items]
    heights = _heights(texts, heads, 99)
    split = _split(heights, 2)
    return max(sum(heights[:split]), sum(heights[split:])) * ROW_LINE_MM


def size_of(data: bytes) -> tuple[float, float]:
    """Width and height in mm that a PNG of this program is made for."""
    rows, columns = np.asarray(imread(io.BytesIO(data))).shape[:2]
    return columns * 25.4 / PNG_DPI, rows * 25.4 / PNG_DPI


def _heights(texts: Sequence[list[str]], heads: Sequence[list[str]], most: int) -> list[int]:
    return [min(max(len(t), len(h)), most) for t, h in zip(texts, heads, strict=True)]


def _split(heights: Sequence[int], columns: int) -> int:
    """How many rows stand in the first of two columns so that the taller one is as short as it can be."""
    if columns < 2:
        return len(heights)
    return min(range(len(heights) + 1), key=lambda k: (max(sum(heights[:k]), sum(heights[k:])), -k))


def _fits(heights: Sequence[int], limit: Sequence[float]) -> bool:
    split = _split(heights, len(limit))
    return sum(heights[:split]) <= limit[0] and sum(heights[split:]) <= limit[-1]


def _cut(lines: list[str], most: int, room_mm: float, weight: str = "normal") -> list[str]:
    """At most so many lines, the last with an ellipsis where something is cut."""
    if len(lines) <= most:
        return lines
    return [*lines[: most - 1], one_line(" ".join(lines[most - 1 :]), SMALL, room_mm, weight)]
