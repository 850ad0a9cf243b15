"""How every number is written, in sentences, tables, axes and PDF alike.

True minus, narrow blanks between thousands and before units, shares in percent, volumes in cm³; a value and its
interval are rounded alike, to as many digits as the interval carries. Reasons are kept in plain letters, for tables and
other programs (``12 mm3``); :func:`neat` sets them as the rest is set where a person reads them.
"""

from __future__ import annotations

import math
import re

from .quantities import is_share

MINUS = "\N{MINUS SIGN}"
THIN = "\N{NARROW NO-BREAK SPACE}"
SHOWN: dict[str, tuple[float, str, int]] = {
    "HU": (1.0, "HU", 0),
    "mm3": (1e-3, "cm³", 2),
    "mm2": (1.0, "mm²", 0),
    "mg": (1.0, "mg", 1),
    "mm": (1.0, "mm", 1),
    "%": (1.0, "%", 0),
    "1": (1.0, "", 2),
}
"""Unit of the record: factor, unit as it is read, and the most decimals that make sense of it."""
NARROW_SHARE = 0.5
"""Points of percent; a narrower half-width earns a share one decimal."""
ASSUMED_HALF_WIDTH = 0.05
"""Share of a value that stands for its interval where it has none."""


_UNIT = r"(?:[mc]m[23]?|HU|mg|kVp|kV|keV)\b"
_MINUS = re.compile(rf"(?<![\w.])-(?=\d+(?:\.\d+)?[ {THIN}]?(?:%|{_UNIT}))")
_BLANK = re.compile(rf"(?<=\d) ?(?=%)|(?<=\d) (?={_UNIT})")
_POWER = re.compile(rf"(?<=\d[ {THIN}])([mc]m)([23])\b|(mg/cm)(3)\b")


def neat(text: str) -> str:
    """A sentence with its numbers set like all others: true minus, narrow blanks before units, raised powers.

    What is set so already stays as it is.
    """
    text = _BLANK.sub(THIN, _MINUS.sub(MINUS, text))
    return _POWER.sub(lambda m: f"{m[1] or m[3]}{'²' if (m[2] or m[4]) == '2' else '³'}", text)


def shown_as(quantity: str, unit: str) -> tuple[float, str, int]:
    """Factor from the record to what is read, the unit that is read, and the most decimals."""
    return (100.0, "%", 0) if is_share(quantity) else SHOWN.get(unit, (1.0, unit, 2))


def number(value: float, decimals: int = 1, *, sign: bool = False) -> str:
    """A number with a true minus and narrow blanks between thousands; ``sign`` writes the plus too."""
    rounded = round(value, decimals) + 0.0
    text = f"{abs(rounded):,.{max(decimals, 0)}f}".replace(",", THIN)
    if rounded < 0:
        return MINUS + text
    return f"+{text}" if sign and rounded > 0 else text


def decimals_for(half_width: float) -> int:
    """Decimals that keep two digits of an interval that begins with 1 or 2, else one; negative rounds to tens."""
    if not math.isfinite(half_width) or half_width <= 0:
        return 2
    power = math.floor(math.log10(half_width))
    lead = half_width / 10**power
    return min(3, (1 if lead < 3 else 0) - power)


def places(quantity: str, unit: str, value: float, low: float | None = None, high: float | None = None) -> int:
    """Decimals of a value and of both ends of its interval: what the interval carries, but two digits of the value."""
    factor, _, most = shown_as(quantity, unit)
    half = abs(value) * ASSUMED_HALF_WIDTH if low is None or high is None else (high - low) / 2
    decimals = decimals_for(factor * half)
    if is_share(quantity) and 0 < factor * half < NARROW_SHARE:
        most = 1
    if value:
        decimals = max(decimals, 1 - math.floor(math.log10(abs(factor * value))))
    return min(decimals, most)


def with_unit(text: str, unit: str) -> str:
    """A written number and its unit, a narrow blank between."""
    return f"{text}{THIN}{unit}" if unit else text


def value_text(
    quantity: str, unit: str, value: float, low: float | None = None, high: float | None = None, *, sign: bool = False
) -> str:
    """``12.3 mm (11.9 to 12.7)``; without an interval only the value."""
    factor, word, _ = shown_as(quantity, unit)
    decimals = places(quantity, unit, value, low, high)
    text = with_unit(number(factor * value, decimals, sign=sign), word)
    if low is None or high is None:
        return text
    ends = (number(factor * end, decimals, sign=sign) for end in (low, high))
    return f"{text} ({' to '.join(ends)})"
