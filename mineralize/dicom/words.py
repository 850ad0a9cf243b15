"""Free-text header values turned into words that are safe to print and easy to compare.

Kernel, manufacturer and model names are typed by people and may hold anything. Only values that match a
pattern of the trade are printed; all others become a neutral word. They are still *compared* through a key that is
never printed. The classes of kernel are common practice, no source: vendor manuals order their kernels from smooth to
sharp by number or name.
"""

from __future__ import annotations

import re
from typing import Literal

KernelClass = Literal["soft", "medium", "sharp", "unknown"]

_SHARPEST: tuple[KernelClass, ...] = ("sharp", "medium", "soft")
_NUMBERED = re.compile(r"^([BHTUQDIJSE][RFVPHUCB]?)(\d{2})([HSFIUMD]?)(\\\d)?$")
_CANON = re.compile(r"^FC(\d{1,2})$")
_LETTERS: dict[str, KernelClass] = {
    **dict.fromkeys(("A", "AA", "B", "UA", "UB"), "soft"),
    **dict.fromkeys(("C", "UC"), "medium"),
    **dict.fromkeys(("D", "E", "L", "YA", "YB", "YC", "YD"), "sharp"),
}
"""Whole names of one or two letters."""
_WORDS: dict[str, KernelClass | None] = {
    **dict.fromkeys(("SHARP", "BONE", "BONEPLUS", "LUNG", "EDGE", "ULTRA"), "sharp"),
    **dict.fromkeys(("MEDIUM", "DETAIL", "CHST", "CHEST"), "medium"),
    **dict.fromkeys(("SOFT", "SMOOTH", "STANDARD", "STND", "BODY", "ABDOMEN", "BRAIN"), "soft"),
    **dict.fromkeys(("TISSUE", "PLUS", "HD", "HIGH", "RESOLUTION", "KERNEL", "FILTER", "HEAD", "EXTREMITY"), None),
}
"""Words of the trade that a name may consist of, in falling order of what they decide; ``None`` decides nothing."""
_MAKERS = {
    "GE": ("GE MEDICAL", "GENERAL ELECTRIC", "GE HEALTHCARE"),
    "Siemens": ("SIEMENS",),
    "Philips": ("PHILIPS", "MARCONI", "PICKER", "ELSCINT"),
    "Canon/Toshiba": ("CANON", "TOSHIBA"),
    "Fujifilm/Hitachi": ("FUJI", "HITACHI"),
    "Shimadzu": ("SHIMADZU",),
    "Neusoft": ("NEUSOFT",),
    "United Imaging": ("UNITED IMAGING", "UIH"),
    "Samsung/NeuroLogica": ("SAMSUNG", "NEUROLOGICA"),
}


def kernel(values: tuple[str, ...]) -> tuple[str, KernelClass]:
    """Printable kernel and its class from the values of Convolution Kernel (0018,1210, may be multi-valued)."""
    if not values or not values[0]:
        return "", "unknown"
    name = re.sub(r"\s+", " ", values[0].upper().strip())
    if name in _LETTERS:
        return name, _LETTERS[name]
    words = name.split(" ")
    if all(word in _WORDS for word in words):
        decided = {_WORDS[word] for word in words}
        return name, next((kind for kind in _SHARPEST if kind in decided), "unknown")
    if match := _NUMBERED.match(name):
        level = int(match.group(2))
        return name, "soft" if level <= 37 else "medium" if level <= 49 else "sharp"
    if match := _CANON.match(name):
        level = int(match.group(1))
        if level < 30:
            return name, "soft"
        return name, "medium" if 40 <= level < 50 else "sharp"
    return "not a listed kernel", "unknown"


def manufacturer(value: str) -> str:
    """The maker's name from a fixed list, else ``"other"`` (``""`` when the file does not say)."""
    upper = re.sub(r"\s+", " ", value.upper().strip())
    if not upper:
        return ""
    for name, starts in _MAKERS.items():
        if upper == name.upper() or any(start in upper for start in starts):
            return name
    return "other"
