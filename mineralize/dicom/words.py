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

_NUMBERED = re.compile(r"^([BHTUQDIJSE][RFVPHUCB]?)(\d{2})([HSFIUMD]?)(\\\d)?$")
_CANON = re.compile(r"^FC(\d{1,2})$")
_WORDS: dict[str, KernelClass] = {
    "SOFT": "soft",
    "SMOOTH": "soft",
    "STANDARD": "soft",
    "STND": "soft",
    "BODY": "soft",
    "ABDOMEN": "soft",
    "A": "soft",
    "AA": "soft",
    "B": "soft",
    "UA": "soft",
    "UB": "soft",
    "BRAIN STANDARD": "soft",
    "MEDIUM": "medium",
    "DETAIL": "medium",
    "C": "medium",
    "UC": "medium",
    "CHST": "medium",
    "CHEST": "medium",
    "D": "sharp",
    "E": "sharp",
    "L": "sharp",
    "YA": "sharp",
    "YB": "sharp",
    "YC": "sharp",
    "YD": "sharp",
    "SHARP": "sharp",
    "BONE": "sharp",
    "BONEPLUS": "sharp",
    "LUNG": "sharp",
    "EDGE": "sharp",
    "ULTRA": "sharp",
    "HD STANDARD": "medium",
    "HD BONE": "sharp",
}
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
    if name in _WORDS:
        return name, _WORDS[name]
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
