"""The one table of quantities: unit, what each needs of the outline, when it is doubtful, when a change of it counts.

A row here and a function that computes it make a quantity; measuring, changes, tables and reports read the rest from
the row. Units are UCUM. Definitions stand where each quantity is computed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

Need = Literal["nothing", "surface", "middle", "layer", "sum"]
"""What a quantity needs of the outline: nothing at all; all of the closed surface; that its middle is the lesion's; a
border of the mineral where it is seen; or only that all mineral of the lesion is inside."""
Mover = Literal["kvp", "fat by kvp", "slice", "kernel", "contrast"]


@dataclass(frozen=True)
class Width:
    """Half-width of the interval beyond which a value is cautioned, in its unit or as a share of it.

    About the largest error that would not yet mislead; own judgement.
    """

    most: float
    relative: bool = False

    def reached(self, reach: float, value: float) -> bool:
        """Whether a half-width is too wide for a value; for nothing of a relative one it is the limit of detection."""
        if self.relative and value == 0.0:
            return False
        return reach > self.most * (abs(value) if self.relative else 1.0)


@dataclass(frozen=True)
class Limit:
    """Smallest change that counts: ``relative`` to the first value, and at least ``absolute``; ``source`` in words."""

    relative: float
    absolute: float
    source: str


OWN = "own judgement until a test-retest study exists"
OXNARD = "re-scan study of diameters (Oxnard 2011)"
LAMBA = "+-10 HU between scanners (Lamba 2014)"
TUMOUR = "borrowed from tumour volumetry"
VOLUME_LIMITS: tuple[tuple[float, float], ...] = ((35.0, 0.39), (50.0, 0.29), (float("inf"), 0.24))
"""(diameter below mm, relative limit): borrowed from tumour volumetry (CT volume claims quoted from memory)."""


@dataclass(frozen=True)
class Quantity:
    """One row of the table.

    ``bounds``: what it can be. ``rim``: rests on slices that can show a rim. ``long``: reaches across slices, so that
    thick ones forbid it. ``own_tissue``: of the scan, not of the lesion. ``surface_only``: of the outline, whatever
    lies in it. ``moved_by``: what of two unlike scans alone may move it. ``doubt``: which share of a kind of verdict
    says how far a caution may have moved it (otherwise three times ``widest``). ``grows``: has a doubling time.
    """

    name: str
    unit: str
    needs: Need
    limit: Limit
    widest: Width
    bounds: tuple[float, float] = (float("-inf"), float("inf"))
    rim: bool = False
    long: bool = False
    own_tissue: bool = False
    surface_only: bool = False
    moved_by: frozenset[Mover] = frozenset()
    doubt: Literal["mass", "size", "width"] = "width"
    grows: bool = False

    @property
    def percent(self) -> bool:
        """Percent has meaning for sizes, masses and the ratio, not for HU or shares."""
        return self.unit in {"mm", "mm2", "mm3", "mg"} or self.name == "rim_core_ratio"


_POSITIVE = (0.0, float("inf"))
_SHARE = (0.0, 1.0)
_AGENT: frozenset[Mover] = frozenset({"contrast"})
_FACES: frozenset[Mover] = frozenset({"slice", "kernel", "contrast"})


def _mineral_volume(name: str, widest: float) -> Quantity:
    limit = Limit(0.40, 20.0, OWN)
    width = Width(widest, True)
    return Quantity(name, "mm3", "sum", limit, width, _POSITIVE, moved_by=_FACES, doubt="mass", grows=True)


def _completeness(name: str, moved_by: frozenset[Mover] = _AGENT) -> Quantity:
    return Quantity(name, "1", "surface", Limit(0.0, 0.10, OWN), Width(0.10), _SHARE, rim=True, moved_by=moved_by)


def _core_share(name: str) -> Quantity:
    return Quantity(name, "1", "middle", Limit(0.0, 0.15, OWN), Width(0.30), _SHARE, rim=True, moved_by=_AGENT)


def _steady(name: str, limit: Limit, widest: float, moved_by: frozenset[Mover]) -> Quantity:
    return Quantity(name, "HU", "nothing", limit, Width(widest), own_tissue=True, moved_by=moved_by)


_ROWS: tuple[Quantity, ...] = (
    Quantity(
        "lesion_volume", "mm3", "surface", Limit(0.39, 0.0, TUMOUR), Width(0.12, True), _POSITIVE,
        long=True, surface_only=True, doubt="size", grows=True,
    ),
    Quantity(
        "longest_diameter", "mm", "surface", Limit(0.10, 2.0, OXNARD), Width(0.065, True), _POSITIVE,
        long=True, surface_only=True,
    ),
    Quantity(
        "axial_diameter", "mm", "surface", Limit(0.10, 2.0, OXNARD), Width(0.08, True), _POSITIVE,
        surface_only=True,
    ),
    Quantity(
        "axial_perpendicular", "mm", "surface", Limit(0.10, 2.0, OXNARD), Width(0.10, True), _POSITIVE,
        surface_only=True,
    ),
    Quantity(
        "mineral_mass", "mg", "sum", Limit(0.15, 5.0, OWN), Width(0.15, True), _POSITIVE,
        moved_by=_AGENT, doubt="mass", grows=True,
    ),
    _mineral_volume("mineral_volume", 0.40),
    _mineral_volume("mineral_volume_100", 0.40),
    _mineral_volume("mineral_volume_130", 0.40),
    _mineral_volume("mineral_volume_200", 0.50),
    _mineral_volume("mineral_volume_300", 0.60),
    Quantity("mineral_fraction", "1", "surface", Limit(0.40, 0.05, OWN), Width(0.15), _SHARE, moved_by=_FACES),
    Quantity(
        "rim_attenuation", "HU", "surface", Limit(0.15, 30.0, OWN), Width(0.25, True),
        rim=True, moved_by=frozenset({"kvp", "contrast"}),
    ),
    Quantity(
        "core_attenuation", "HU", "middle", Limit(0.0, 12.0, LAMBA), Width(25.0),
        rim=True, moved_by=frozenset({"fat by kvp", "contrast"}),
    ),
    Quantity(
        "rim_core_ratio", "1", "middle", Limit(0.10, 0.0, OWN), Width(0.10, True), _POSITIVE,
        rim=True, moved_by=_AGENT,
    ),
    Quantity(
        "rim_core_difference", "HU", "middle", Limit(0.15, 30.0, OWN), Width(0.30, True),
        rim=True, moved_by=_AGENT,
    ),
    Quantity(
        "rim_peak_attenuation", "HU", "layer", Limit(0.20, 60.0, OWN), Width(0.25, True),
        rim=True, moved_by=frozenset({"kvp", "slice", "kernel", "contrast"}),
    ),
    _completeness("rim_completeness"),
    _completeness("rim_completeness_100"),
    _completeness("rim_completeness_200"),
    _completeness("rim_completeness_300", _FACES),
    Quantity("rim_unresolved", "1", "surface", Limit(0.0, 0.15, OWN), Width(0.15), _SHARE, rim=True, moved_by=_FACES),
    Quantity("largest_gap", "1", "surface", Limit(0.0, 0.10, OWN), Width(0.10), _SHARE, rim=True, moved_by=_AGENT),
    Quantity("rim_thickness", "mm", "layer", Limit(0.25, 0.8, OWN), Width(1.2), _POSITIVE, rim=True),
    Quantity("zonal_contrast", "1", "middle", Limit(0.0, 0.20, OWN), Width(0.20), (-1.0, 1.0), moved_by=_AGENT),
    _core_share("core_fat_fraction"),
    _core_share("core_fluid_fraction"),
    _core_share("core_soft_fraction"),
    _core_share("core_haze_fraction"),
    _core_share("core_mineral_fraction"),
    Quantity("cortex_gap", "mm", "layer", Limit(0.0, 1.5, OWN), Width(1.5), _POSITIVE),
    Quantity("cortex_contact_area", "mm2", "layer", Limit(0.5, 30.0, OWN), Width(0.40, True), _POSITIVE),
    Quantity("cleft_fraction", "1", "surface", Limit(0.0, 0.25, OWN), Width(0.30), _SHARE, moved_by=_AGENT),
    Quantity("perilesional_muscle", "HU", "middle", Limit(0.0, 10.0, LAMBA), Width(10.0), moved_by=_AGENT),
    _steady("reference_muscle", Limit(0.0, 10.0, LAMBA), 10.0, _AGENT),
    Quantity("perilesional_deficit", "HU", "middle", Limit(0.0, 6.0, OWN), Width(10.0), moved_by=_AGENT),
    Quantity("oedema_extent", "mm", "middle", Limit(0.0, 4.0, OWN), Width(6.0), _POSITIVE),
    _steady("fat_reference", Limit(0.0, 12.0, LAMBA), 15.0, frozenset({"fat by kvp", "contrast"})),
    _steady("cortex_reference", Limit(0.10, 0.0, OWN), 150.0, frozenset({"kvp", "contrast"})),
)  # fmt: skip

QUANTITIES: dict[str, Quantity] = {row.name: row for row in _ROWS}
"""Every quantity in the order of the tables."""
UNITS: dict[str, str] = {row.name: row.unit for row in _ROWS}
"""Unit of every quantity in the order of the tables (UCUM)."""


def quantity(name: str) -> Quantity:
    """The row of a quantity; a threshold that a person asked for is a row like that of its family.

    Raises
    ------
    KeyError
        for a name of no family.
    """
    if name in QUANTITIES:
        return QUANTITIES[name]
    family, _, threshold = name.rpartition("_")
    if family in ("mineral_volume", "rim_completeness") and threshold.replace(".", "", 1).isdigit():
        return replace(QUANTITIES[family], name=name)
    raise KeyError(name)


def limit_for(name: str, diameter_mm: float | None = None) -> Limit:
    """The smallest change that counts; for the volume of the lesion it depends on its longest diameter (mm)."""
    found = quantity(name).limit
    if name != "lesion_volume":
        return found
    size = diameter_mm if diameter_mm is not None else 0.0
    return Limit(next(share for below, share in VOLUME_LIMITS if size < below), 0.0, found.source)
