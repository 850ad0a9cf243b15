"""Every adjustable number, in one frozen tree, each with unit, reason and range.

Change one for a case in ``case.toml``::

    [settings.mineral]
    threshold_hu120 = 130

A number out of its range is refused, wherever it comes from: the ranges are as wide as the method was tried, so that
a slip of the pen cannot pass for a choice.
"""

from __future__ import annotations

import types
import typing
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, is_dataclass
from typing import Any

from .errors import CaseFileError, UsageError
from .words import unknown_key

NOT_OF_THE_RIM_HU120 = 130.0
"""Of the thresholds by default the one at which the rim is not stated: it is about as complete as at 150."""
MOST_THRESHOLDS = 12
"""Thresholds shown beside the main one: each costs a pass over the lesion and a row of every table."""


def _number(value: float, low: float, high: float, unit: str = "") -> float:
    """A setting with its range, both ends allowed."""
    held: float = field(default=value, metadata={"range": (low, high), "unit": unit})
    return held


def _whole(value: int, low: int, high: int, unit: str = "") -> int:
    held: int = field(default=value, metadata={"range": (low, high), "unit": unit})
    return held


class _Ranged:
    """Refuses numbers out of range where a group is made from Python."""

    def __post_init__(self) -> None:
        faults: list[str] = []
        for one in fields(typing.cast(Any, self)):
            if "range" in one.metadata:
                faults += _faults_of(one.name, getattr(self, one.name), one.metadata)
        if faults:
            raise UsageError("; ".join(faults))


@dataclass(frozen=True)
class MineralSettings(_Ranged):
    """What counts as mineral."""

    threshold_hu120: float = _number(150.0, 80.0, 1000.0, "HU")
    """Lowest HU (at 120 kVp) clear of muscle, whose window ends at 150 HU (Aubrey 2014, 10.1111/apha.12224). Below 80
    muscle itself would count."""
    other_thresholds_hu120: tuple[float, ...] = field(
        default=(100.0, 130.0, 200.0, 300.0), metadata={"range": (80.0, 2000.0), "unit": "HU"}
    )
    """Shown beside, so that the reader sees how much the threshold decides: whole HU, none twice, at most
    ``MOST_THRESHOLDS``."""
    zone_reach_mm: float = _number(1.5, 0.5, 5.0, "mm")
    """How far the mineral zone reaches beyond a point over the threshold: about the width of the blur."""
    limb_size_uncertainty: float = _number(0.09, 0.0, 0.5)
    """Relative 95 % half-width that the size of a limb adds to a table made for 20 cm of water: without the scanner's
    own correction the slope at 120 kVp is 9 % higher behind 12 cm and 8 % lower behind 30 cm (own calculation with
    spekpy spectra and xraylib attenuation, `scripts/validate_projection`). Calibration rods make it needless."""
    slope_uncertainty: float = _number(0.05, 0.0, 0.5)
    """Relative 95 % half-width of the HU per mg/cm3 between beam filtrations and attenuation tables. Where the slope of
    a scan is known it is given in ``[[calibration]]``."""

    @property
    def rim_thresholds_hu120(self) -> tuple[float, ...]:
        """Thresholds beside the main one at which the completeness of the rim is stated: all that were asked for. Of
        those by default 130 is left out, at which a rim is about as complete as at 150."""
        asked = self.other_thresholds_hu120
        return (
            tuple(t for t in asked if t != NOT_OF_THE_RIM_HU120)
            if asked == MineralSettings.other_thresholds_hu120
            else asked
        )


@dataclass(frozen=True)
class ZoneSettings(_Ranged):
    """Rim, middle and core."""

    rim_depth_mm: float = _number(4.0, 1.0, 10.0, "mm")
    """Largest depth of the rim; it is never more than a third of the inradius."""
    core_depth_fraction: float = _number(0.5, 1 / 3, 0.9)
    """The core lies deeper than this share of the inradius; never within the rim, hence from a third."""


@dataclass(frozen=True)
class OutlineSettings(_Ranged):
    """How the closed outline is found."""

    rays: int = _whole(1000, 200, 10_000)
    """Directions in which the outline is sought."""
    largest_radius_mm: float = _number(75.0, 10.0, 150.0, "mm")
    """Half the largest lesion that is looked for (150 mm)."""
    smoothness: float = _number(1.0, 0.05, 20.0)
    """Weight of smoothness against edges in the global optimum."""
    mineral_hu120: float = _number(150.0, 80.0, 1000.0, "HU")
    """Lowest HU (at 120 kVp) of the mineral that an outline is laid around. Apart from the threshold of what is
    counted, so that another threshold counts more or less within the same outline."""


@dataclass(frozen=True)
class AlignSettings(_Ranged):
    """How scans are lined up on the skeleton."""

    bone_hu: float = _number(250.0, 150.0, 1000.0, "HU")
    """Bone surface candidates lie above this; the surface itself is the local half maximum."""
    smallest_bone_mm3: float = _number(800.0, 50.0, 50_000.0, "mm3")
    trusted_sd_mm: float = _number(0.35, 0.05, 2.0, "mm")
    """Predicted standard error at the lesion up to which an alignment is trusted."""
    cautioned_sd_mm: float = _number(0.7, 0.05, 5.0, "mm")
    """... and up to which it is used with caution."""


@dataclass(frozen=True)
class Settings:
    """All settings; see the groups."""

    mineral: MineralSettings = field(default_factory=MineralSettings)
    zones: ZoneSettings = field(default_factory=ZoneSettings)
    outline: OutlineSettings = field(default_factory=OutlineSettings)
    align: AlignSettings = field(default_factory=AlignSettings)

    @classmethod
    def from_mapping(cls, table: Mapping[str, Any], where: str = "settings") -> Settings:
        """Settings from parsed TOML.

        Raises
        ------
        CaseFileError
            listing every unknown name and every value of the wrong kind.
        """
        faults: list[str] = []
        result = _build(cls, table, where, faults)
        if faults:
            raise CaseFileError("; ".join(faults))
        assert isinstance(result, Settings)
        return result


def _build(kind: type[Any], table: Any, where: str, faults: list[str]) -> Any:
    if not isinstance(table, Mapping):
        faults.append(f"{where}: expected a table")
        return kind()
    hints = typing.get_type_hints(kind)
    known = {f.name: f for f in fields(kind)}
    given: dict[str, Any] = {}
    for place, (name, value) in enumerate(table.items(), 1):
        path = f"{where}.{name}"
        if name not in known:
            faults.append(f"{where}: {unknown_key(name, place, sorted(known))}")
        elif is_dataclass(hints[name]):
            given[name] = _build(typing.cast(type[Any], hints[name]), value, path, faults)
        else:
            found = _faults_of(path, value, known[name].metadata)
            faults += found
            if not found:
                several = isinstance(hints[name], types.GenericAlias)
                given[name] = tuple(float(v) for v in value) if several else hints[name](value)
    return kind(**given)


def _faults_of(path: str, value: Any, metadata: Mapping[str, Any]) -> list[str]:
    """What is wrong with the value of a setting, without quoting it: it may hold anything."""
    low, high = metadata["range"]
    unit = f" {metadata['unit']}" if metadata["unit"] else ""
    if path.rpartition(".")[2] == "other_thresholds_hu120":
        good = isinstance(value, list | tuple) and len(value) <= MOST_THRESHOLDS
        good = good and all(_within(v, low, high) and float(v).is_integer() for v in value)
        if good and len({float(v) for v in value}) == len(value):
            return []
        text = f"expected at most {MOST_THRESHOLDS} different whole numbers from {low:g} to {high:g}{unit}"
        return [f"{path}: {text}"]
    whole = isinstance(low, int)
    if _within(value, low, high) and (not whole or float(value).is_integer()):
        return []
    return [f"{path}: expected a {'whole ' if whole else ''}number from {low:.3g} to {high:.6g}{unit}"]


def _within(value: Any, low: float, high: float) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and low <= value <= high
