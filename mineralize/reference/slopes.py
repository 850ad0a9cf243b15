"""HU per mg/cm3 hydroxyapatite of a scan: by its tube voltage, or as ``case.toml`` or calibration rods say."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..base import (
    KNOWN_KVP,
    Acquisition,
    Calibration,
    CaseFileError,
    MineralSettings,
    Note,
    Volume,
    known_voltage,
    slope,
)
from .rods import fit_rods

TABLE = "the table for its tube voltage"
"""Where a slope comes from when nothing is known of the scanner."""
LARGEST_OFF = 0.4
"""A slope from rods further than this share from the table is a mistake in the rods' places or densities."""
NOTED_OFF = 0.15
"""... and is cautioned from here: three times what filtration and tables explain."""

UNKNOWN_VOLTAGE = 0.4
"""Relative 95 % half-width of a slope at an unknown tube voltage: that at 80 kVp is 39 % over that at 120."""
OUTSIDE_VOLTAGE = 0.2
"""... at a voltage beyond the table (own judgement)."""


@dataclass(frozen=True)
class Slope:
    """HU per mg/cm3 hydroxyapatite of one scan, its relative 95 % half-width, and where it comes from, in words."""

    kvp: float
    slope: float
    uncertainty: float
    source: str
    notes: tuple[Note, ...] = ()


def table_slope(acquisition: Acquisition, settings: MineralSettings) -> Slope:
    """The slope of the table at a scan's tube voltage. An unknown voltage counts as 120 kVp, with a caution."""
    kvp, notes = acquisition.kvp, []
    if kvp is None:
        kvp = 120.0
        notes.append(
            Note("kvp-unknown", "tube voltage not stated; 120 kVp assumed, mineral may be off by 40 %", "caution")
        )
    elif not known_voltage(kvp):
        notes.append(Note("kvp-outside", f"no calibration at {kvp:g} kVp; that of the nearest is used", "caution"))
    value = slope(float(np.clip(kvp, *KNOWN_KVP)))
    return Slope(kvp, value, settings.slope_uncertainty, TABLE, tuple(notes))


def slope_of(
    acquisition: Acquisition,
    settings: MineralSettings,
    calibration: Calibration | None,
    volume: Volume,
    *,
    slice_mm: float,
    noise: tuple[float, float],
    where: str,
) -> Slope:
    """The slope of a scan: that of its calibration where there is one, else of the table, doubted more where its tube
    voltage is none of the table's. Parameters and errors as of :func:`calibrated_slope`."""
    table = table_slope(acquisition, settings)
    if calibration is not None:
        return calibrated_slope(table, calibration, volume, slice_mm=slice_mm, noise=noise, where=where)
    return replace(table, uncertainty=max(table.uncertainty, _voltage_doubt(acquisition.kvp)))


def calibrated_slope(
    table: Slope, calibration: Calibration, volume: Volume, *, slice_mm: float, noise: tuple[float, float], where: str
) -> Slope:
    """The slope that ``case.toml`` gives for a scan, or that its rods tell; notes say which and how far from the table.

    Parameters
    ----------
    noise : standard deviation of single voxels and of means over 4 mm cubes, HU.
    where : what to call the place in messages.

    Raises
    ------
    CaseFileError
        when the rods cannot be read or give a slope that no scanner has.
    """
    if calibration.slope is not None:
        value, source = calibration.slope, "case.toml"
        doubt = table.uncertainty if calibration.uncertainty is None else calibration.uncertainty
        doubts: tuple[str, ...] = ()
    else:
        fit = fit_rods(
            volume, calibration.rods, slice_mm=slice_mm, noise_hu=noise[0], noise_4mm_hu=noise[1], where=where
        )
        value, doubt, doubts = fit.slope, fit.uncertainty, fit.doubts
        source = f"{len(fit.readings)} calibration rods in it"
        if not abs(value / table.slope - 1.0) <= LARGEST_OFF:
            raise CaseFileError(
                f"{where}: the rods give {value:.2f} HU per mg/cm3 where about {table.slope:.2f} is possible; check "
                "at, axis and mg_cm3 of each rod"
            )
    off = value / table.slope - 1.0
    text = (
        f"Mineral is counted with {value:.3f} HU per mg/cm3 from {source} (+-{100 * doubt:.1f} %); the table has "
        f"{table.slope:.3f} ({100 * off:+.1f} %)."
    )
    notes = [Note("slope-calibrated", text, "info")]
    if abs(off) > NOTED_OFF:
        far = f"The calibration lies {100 * off:+.0f} % off the table for this tube voltage; is it this scan's?"
        notes.append(Note("slope-far-from-table", far, "caution"))
    if doubts:
        why = f"The calibration rods may not lie where case.toml says: {'; '.join(doubts)}."
        notes.append(Note("rods-doubtful", why, "caution"))
        doubt = max(doubt, table.uncertainty)
    return Slope(table.kvp, value, doubt, source, tuple(notes))


def _voltage_doubt(kvp: float | None) -> float:
    """Relative 95 % half-width of a tabulated slope where its tube voltage is not one of the table's."""
    if kvp is None:
        return UNKNOWN_VOLTAGE
    return 0.0 if known_voltage(kvp) else OUTSIDE_VOLTAGE
