"""What differs between the scans of a case that is not the lesion, and what size of effect it could have.

The table is about acquisition only; how much the scanner really did is measured in fat, muscle and cortex
(:mod:`.reference`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ..base import Acquisition, Note, Scan, slope

UNKNOWN = "not said"
SPACING_SHARE = 1.25
"""Slice spacings, pixel sizes and fields of view that differ by less than this factor are alike."""


@dataclass(frozen=True)
class Row:
    """One property over the scans; ``effect`` says what the difference could do to the numbers, and how much."""

    what: str
    values: tuple[str, ...]
    differs: bool
    effect: str


def comparability(scans: Sequence[Scan]) -> tuple[Row, ...]:
    """The table for scans in time order; empty values read "not said"."""
    made = [scan.acquisition for scan in scans]
    return (
        _voltage(made),
        _kernel(made),
        _slices(made),
        _contrast(made),
        _field(made),
        _pixels(made),
        _scanner(made),
    )


def notes(scans: Sequence[Scan]) -> tuple[Note, ...]:
    """One caution for each property that differs."""
    return tuple(
        Note("not-comparable", f"{row.what.capitalize()} differs between scans: {row.effect}.", "caution", row.what)
        for row in comparability(scans)
        if row.differs
    )


def _number(value: float | None, unit: str) -> str:
    return f"{value:g} {unit}" if value is not None else UNKNOWN


def _known(values: Sequence[float | None]) -> list[float]:
    return [v for v in values if v is not None and v > 0]


def _spread(values: Sequence[float | None]) -> float:
    known = _known(values)
    return max(known) / min(known) if known else 1.0


def _voltage(made: Sequence[Acquisition]) -> Row:
    values = [f"{m.virtual_kev:g} keV" if m.virtual_kev is not None else _number(m.kvp, "kV") for m in made]
    known = [m.kvp for m in made if m.kvp is not None and 70 <= m.kvp <= 150]
    effect = "mineral cannot be put on one scale where the voltage is not known"
    if len(known) == len(made) and min(known) < max(known):
        more = 100 * (slope(min(known)) / slope(max(known)) - 1)
        effect = (
            f"the same mineral reads {more:.0f} % higher at {min(known):g} than at {max(known):g} kV; taken out of all "
            "values at 120 kV equivalent to about 5 %"
        )
    elif any(m.virtual_kev is not None for m in made):
        effect = "virtual energies and tube voltages scale mineral differently, by tens of percent"
    return Row("tube voltage", tuple(values), len(set(values)) > 1, effect)


def _kernel(made: Sequence[Acquisition]) -> Row:
    values = tuple(f"{m.kernel or UNKNOWN} ({m.kernel_class})" for m in made)
    classes = {m.kernel_class for m in made}
    effect = (
        "a sharper kernel raises peaks and completeness of a thin rim by up to tens of percent and noise two to five "
        "times (common practice, no source); mass and volume hardly change"
    )
    return Row("kernel", values, len(classes) > 1, effect)


def _slices(made: Sequence[Acquisition]) -> Row:
    values = tuple(
        f"{_number(m.slice_spacing_mm and round(m.slice_spacing_mm, 2), 'mm')}"
        + (f", {m.slice_thickness_mm:g} thick" if m.slice_thickness_mm is not None else "")
        for m in made
    )
    thick = [max(m.slice_spacing_mm or 0.0, m.slice_thickness_mm or 0.0) or None for m in made]
    known = _known(thick)
    effect = ""
    if known:
        share = 100 * (1 - min(known) / max(known))
        effect = (
            f"a rim thinner than the slice and lying along it peaks up to {share:.0f} % lower at {max(known):g} than "
            f"at {min(known):g} mm (thickness over slice), and can look incomplete"
        )
    return Row("slices", values, _spread(thick) > SPACING_SHARE, effect)


def _contrast(made: Sequence[Acquisition]) -> Row:
    words = {True: "yes", False: "no", None: UNKNOWN}
    values = tuple(words[m.contrast_agent] for m in made)
    given = {m.contrast_agent is True for m in made}
    effect = (
        "agent adds some 10 to 100 HU to the lesion's soft tissue and 10 to 30 HU to muscle (common practice, no "
        "source): core, haze and muscle values are not comparable"
    )
    return Row("contrast agent", values, len(given) > 1, effect)


def _field(made: Sequence[Acquisition]) -> Row:
    sizes = [m.reconstruction_diameter_mm for m in made]
    effect = "a smaller field resolves a thin rim better and may cut off the limb"
    return Row("field of view", tuple(_number(v, "mm") for v in sizes), _spread(sizes) > SPACING_SHARE, effect)


def _pixels(made: Sequence[Acquisition]) -> Row:
    sizes = [m.pixel_spacing_mm for m in made]
    effect = "larger pixels blur a thin rim; lengths hold to about half a pixel"
    values = tuple(_number(v and round(v, 3), "mm") for v in sizes)
    return Row("pixel", values, _spread(sizes) > SPACING_SHARE, effect)


def _scanner(made: Sequence[Acquisition]) -> Row:
    makers = tuple(m.manufacturer or UNKNOWN for m in made)
    effect = "soft tissue may shift by up to 10 HU between makers (common practice, no source); see fat and muscle"
    return Row("scanner maker", makers, len(set(makers)) > 1, effect)
