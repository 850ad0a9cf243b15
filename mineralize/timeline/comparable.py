"""What differs between the scans of a case that is not the lesion, and what size of effect it could have.

The table is about acquisition only; how much the scanner really did is measured in fat, muscle and cortex
(:mod:`.reference`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

from ..base import Acquisition, Note, Scan, slope

UNKNOWN = "not said"
ALIKE_FACTOR = 1.25
"""Slice spacings, pixel sizes and fields of view that differ by less than this factor are alike (own judgement)."""
ALIKE_KV = 1.0
"""Tube voltages that differ by less are the same."""


@dataclass(frozen=True)
class Row:
    """One property over the scans; ``effect`` says what the difference could do to the numbers, and how much.

    ``code`` is the property in one word: ``kvp``, ``kernel``, ``slice``, ``contrast``, ``field``, ``pixel``, ``maker``.
    """

    code: str
    what: str
    values: tuple[str, ...]
    differs: bool
    effect: str


@dataclass(frozen=True)
class Difference:
    """A property in which two scans differ; ``words`` names it with both values."""

    code: str
    words: str


def comparability(scans: Sequence[Scan]) -> tuple[Row, ...]:
    """The table for scans in time order; empty values read "not said"."""
    made = [scan.acquisition for scan in scans]
    rows = (_voltage(made), _kernel(made), _slices(made), _contrast(made), _field(made), _pixels(made), _scanner(made))
    apart = {d for a, b in combinations(made, 2) for d in PROPERTIES if PROPERTIES[d][1](a, b)}
    return tuple(replace(row, differs=row.code in apart) for row in rows)


def notes(scans: Sequence[Scan]) -> tuple[Note, ...]:
    """One caution for each property that differs."""
    return tuple(
        Note(
            "not-comparable",
            f"{row.what.capitalize()} {_differ(row)} between scans: {row.effect}.",
            "caution",
            row.what,
        )
        for row in comparability(scans)
        if row.differs
    )


def _differ(row: Row) -> str:
    return "differ" if row.what.endswith("s") else "differs"


def differences(first: Scan, second: Scan) -> dict[str, Difference]:
    """What differs between two scans and could itself move numbers, by code; the rule that the table follows too.

    Besides the properties of the table: ``calibration`` where either scan has its own, and ``kvp`` where neither
    voltage is known.
    """
    a, b = first.acquisition, second.acquisition
    found = {
        code: Difference(code, f"{what} {value_words(code, a)} against {value_words(code, b)}")
        for code, (what, apart) in PROPERTIES.items()
        if apart(a, b)
    }
    if a.kvp is None and b.kvp is None and "kvp" not in found:
        found["kvp"] = Difference("kvp", "tube voltage not said in either scan")
    if first.calibration is not None or second.calibration is not None:
        found["calibration"] = Difference("calibration", "a calibration of the scan's own")
    return found


def value_words(code: str, made: Acquisition) -> str:
    """The value of a property of the table, as it is read."""
    return _VALUES[code](made)


def _apart(x: float | None, y: float | None) -> bool:
    """Sizes unlike by the factor; where one is not said nobody knows."""
    return bool(x and y) and max(x or 0.0, y or 0.0) > ALIKE_FACTOR * min(x or 0.0, y or 0.0)


def _voltages_apart(a: Acquisition, b: Acquisition) -> bool:
    if a.virtual_kev is not None or b.virtual_kev is not None:
        return a.virtual_kev != b.virtual_kev
    if a.kvp is None or b.kvp is None:
        return a.kvp != b.kvp
    return abs(a.kvp - b.kvp) > ALIKE_KV


def _slice_mm(made: Acquisition) -> float | None:
    return max(made.slice_spacing_mm or 0.0, made.slice_thickness_mm or 0.0) or None


PROPERTIES: dict[str, tuple[str, Callable[[Acquisition, Acquisition], bool]]] = {
    "kvp": ("tube voltage", _voltages_apart),
    "kernel": ("kernel", lambda a, b: a.kernel_class != b.kernel_class),
    "slice": ("slices of", lambda a, b: _apart(_slice_mm(a), _slice_mm(b))),
    "contrast": ("contrast agent", lambda a, b: (a.contrast_agent is True) != (b.contrast_agent is True)),
    "field": ("field of view", lambda a, b: _apart(a.reconstruction_diameter_mm, b.reconstruction_diameter_mm)),
    "pixel": ("pixels of", lambda a, b: _apart(a.pixel_spacing_mm, b.pixel_spacing_mm)),
    "maker": ("scanner maker", lambda a, b: a.manufacturer != b.manufacturer),
}
"""Code to how the property is called between two values, and whether two scans differ in it."""


def _number(value: float | None, unit: str) -> str:
    return f"{value:g} {unit}" if value is not None else UNKNOWN


def _known(values: Sequence[float | None]) -> list[float]:
    return [v for v in values if v is not None and v > 0]


def _voltage(made: Sequence[Acquisition]) -> Row:
    values = [f"{m.virtual_kev:g} keV" if m.virtual_kev is not None else _number(m.kvp, "kV") for m in made]
    known = [m.kvp for m in made if m.kvp is not None and 70 <= m.kvp <= 150]
    effect = "mineral cannot be put on one scale where the voltage is not known"
    if len(known) == len(made) and min(known) < max(known):
        more = 100 * (slope(min(known)) / slope(max(known)) - 1)
        effect = (
            f"the same mineral reads {more:.0f} % higher at {min(known):g} than at {max(known):g} kV; taken out of all "
            "values at 120 kV equivalent to about 5 % (own estimate)"
        )
    elif any(m.virtual_kev is not None for m in made):
        effect = "virtual energies and tube voltages scale mineral differently, by tens of percent"
    return Row("kvp", "tube voltage", tuple(values), False, effect)


def _kernel(made: Sequence[Acquisition]) -> Row:
    values = tuple(f"{m.kernel or UNKNOWN} ({m.kernel_class})" for m in made)
    effect = (
        "a sharper kernel raises peaks and completeness of a thin shell by up to tens of percent and noise two to five "
        "times (common practice, no source); mass and volume hardly change"
    )
    return Row("kernel", "kernel", values, False, effect)


def _slices(made: Sequence[Acquisition]) -> Row:
    values = tuple(
        f"{_number(m.slice_spacing_mm and round(m.slice_spacing_mm, 2), 'mm')}"
        + (f", {m.slice_thickness_mm:g} thick" if m.slice_thickness_mm is not None else "")
        for m in made
    )
    known = _known([_slice_mm(m) for m in made])
    effect = ""
    if known:
        share = 100 * (1 - min(known) / max(known))
        effect = (
            f"a shell thinner than the slice and lying along it peaks up to {share:.0f} % lower at {max(known):g} than "
            f"at {min(known):g} mm (thickness over slice), and can look incomplete"
        )
    return Row("slice", "slices", values, False, effect)


def _contrast(made: Sequence[Acquisition]) -> Row:
    values = tuple(CONTRAST[m.contrast_agent] for m in made)
    effect = (
        "agent adds some 10 to 100 HU to the lesion's soft tissue and 10 to 30 HU to muscle (common practice, no "
        "source): central zone, haze and muscle values are not comparable"
    )
    return Row("contrast", "contrast agent", values, False, effect)


def _field(made: Sequence[Acquisition]) -> Row:
    sizes = [m.reconstruction_diameter_mm for m in made]
    effect = "a smaller field resolves a thin shell better and may cut off the limb"
    return Row("field", "field of view", tuple(_number(v, "mm") for v in sizes), False, effect)


def _pixels(made: Sequence[Acquisition]) -> Row:
    sizes = [m.pixel_spacing_mm for m in made]
    effect = "larger pixels blur a thin shell; lengths hold to about half a pixel"
    values = tuple(_number(v and round(v, 3), "mm") for v in sizes)
    return Row("pixel", "pixel", values, False, effect)


def _scanner(made: Sequence[Acquisition]) -> Row:
    makers = tuple(m.manufacturer or UNKNOWN for m in made)
    effect = "soft tissue may shift by up to 10 HU between makers (common practice, no source); see fat and muscle"
    return Row("maker", "scanner maker", makers, False, effect)


CONTRAST = {True: "yes", False: "no", None: UNKNOWN}
_VALUES: dict[str, Callable[[Acquisition], str]] = {
    "kvp": lambda m: f"{m.virtual_kev:g} keV" if m.virtual_kev is not None else _number(m.kvp, "kVp"),
    "kernel": lambda m: m.kernel_class if m.kernel_class != "unknown" else UNKNOWN,
    "slice": lambda m: _number(_slice_mm(m), "mm"),
    "contrast": lambda m: {True: "given", False: "not given", None: UNKNOWN}[m.contrast_agent],
    "field": lambda m: _number(m.reconstruction_diameter_mm, "mm"),
    "pixel": lambda m: _number(m.pixel_spacing_mm, "mm"),
    "maker": lambda m: m.manufacturer or UNKNOWN,
}
