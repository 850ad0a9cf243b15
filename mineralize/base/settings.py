"""Every adjustable number, in one frozen tree, each with unit and reason.

Change one for a case in ``case.toml``::

    [settings.mineral]
    threshold_hu120 = 130
"""

from __future__ import annotations

import types
import typing
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, is_dataclass
from typing import Any

from .errors import CaseFileError


@dataclass(frozen=True)
class MineralSettings:
    """What counts as mineral."""

    threshold_hu120: float = 150.0
    """Lowest HU (at 120 kVp) clear of muscle, whose window ends at 150 HU (Aubrey 2014, 10.1111/apha.12224)."""
    other_thresholds_hu120: tuple[float, ...] = (100.0, 130.0, 200.0, 300.0)
    """Shown beside, so that the reader sees how much the threshold decides."""
    zone_reach_mm: float = 1.5
    """How far the mineral zone reaches beyond a point over the threshold: about the width of the blur."""
    limb_size_uncertainty: float = 0.09
    """Relative 95 % half-width that the size of a limb adds to a table made for 20 cm of water: without the scanner's
    own correction the slope at 120 kVp is 9 % higher behind 12 cm and 8 % lower behind 30 cm (own calculation with
    spekpy spectra and xraylib attenuation, `scripts/validate_projection`). Calibration rods make it needless."""
    slope_uncertainty: float = 0.05
    """Relative 95 % half-width of the HU per mg/cm3 between beam filtrations and attenuation tables. Where the slope of
    a scan is known it is given in ``[[calibration]]``."""


@dataclass(frozen=True)
class ZoneSettings:
    """Rim, middle and core."""

    rim_depth_mm: float = 4.0
    """Largest depth of the rim; it is never more than a third of the inradius."""
    core_depth_fraction: float = 0.5
    """The core lies deeper than this share of the inradius."""


@dataclass(frozen=True)
class OutlineSettings:
    """How the closed outline is found."""

    rays: int = 1000
    """Directions in which the outline is sought."""
    largest_radius_mm: float = 75.0
    """Half the largest lesion that is looked for (150 mm)."""
    smoothness: float = 1.0
    """Weight of smoothness against edges in the global optimum."""


@dataclass(frozen=True)
class AlignSettings:
    """How scans are lined up on the skeleton."""

    bone_hu: float = 250.0
    """Bone surface candidates lie above this; the surface itself is the local half maximum."""
    smallest_bone_mm3: float = 800.0
    trusted_sd_mm: float = 0.35
    """Predicted standard error at the lesion up to which an alignment is trusted."""
    cautioned_sd_mm: float = 0.7
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
        faults.append(f"{where}: expected a table, got {table!r}")
        return kind()
    hints = typing.get_type_hints(kind)
    known = {f.name for f in fields(kind)}
    given: dict[str, Any] = {}
    for name, value in table.items():
        path = f"{where}.{name}"
        if name not in known:
            faults.append(f"{path}: unknown setting (known: {', '.join(sorted(known))})")
        elif is_dataclass(hints[name]):
            given[name] = _build(typing.cast(type[Any], hints[name]), value, path, faults)
        else:
            given[name] = _plain(hints[name], value, path, faults)
    return kind(**given)


def _plain(hint: Any, value: Any, path: str, faults: list[str]) -> Any:
    numeric = isinstance(value, int | float) and not isinstance(value, bool)
    if isinstance(hint, types.GenericAlias):
        if isinstance(value, list) and all(
            isinstance(v, int | float) and not isinstance(v, bool) and v > 0 for v in value
        ):
            return tuple(float(v) for v in value)
        faults.append(f"{path}: expected a list of positive numbers, got {value!r}")
        return ()
    if numeric and value == value and 0 <= value < 1e9 and (hint is float or float(value).is_integer()):
        return hint(value)
    faults.append(f"{path}: expected a number from 0 up, got {value!r}")
    return hint(0)
