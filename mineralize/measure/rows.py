"""Every quantity of one scan, with its interval and its trust."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from ..base import (
    MineralSettings,
    Quantity,
    Settings,
    Trust,
    Verdict,
    Verdicts,
    Volume,
    caution,
    quantities_of,
    quantity,
    reason_of,
    trust_of,
    withhold,
)
from ..bones import Skeleton
from ..lesion import Neighbourhood, Outline, Zones, find_zones
from ..reference import Reference
from .bone import measure_bone
from .estimate import Estimate
from .mineral import measure_mineral
from .muscle import measure_muscle, steady_tissues
from .needed import allowed
from .rim import measure_rim
from .rim_map import DepthProfile, RimMap
from .shape import measure_shape
from .site import Site
from .zones import measure_zones

__all__ = [
    "DepthProfile",
    "Measured",
    "Measurement",
    "RimMap",
    "Rows",
    "measure_scan",
    "rows_without_lesion",
    "withhold_all",
]


@dataclass(frozen=True)
class Measurement:
    """One row of ``measurements.csv``.

    ``value``, ``low`` and ``high`` are ``None`` when ``trust`` is ``"withheld"``; ``reason`` is plain words, empty
    only when trust is ``"ok"``. ``dominant`` names the perturbation that makes most of the interval; ``detail``
    carries extras for ``history.json`` (such as a gap's direction in words and as a unit vector). ``parts`` holds the
    95 % half-widths (down, up) of every perturbation by name, for comparing scans; ``verdicts`` what ``trust`` and
    ``reason`` say, for rules.
    """

    scan: int
    quantity: str
    value: float | None
    low: float | None
    high: float | None
    unit: str
    trust: Trust
    reason: str = ""
    dominant: str = ""
    detail: dict[str, object] | None = None
    parts: dict[str, tuple[float, float]] | None = None
    verdicts: Verdicts = ()


class Rows(tuple[Measurement, ...]):
    """Rows of measurements; a tuple that can become a table."""

    def to_frame(self) -> Any:
        """A pandas DataFrame with a column per field.

        Raises
        ------
        ImportError
            where pandas, which mineralize itself does not need, is not installed.
        """
        import pandas as pd

        names = [f.name for f in fields(Measurement) if f.name not in ("parts", "verdicts")]
        return pd.DataFrame([[getattr(row, name) for name in names] for row in self], columns=names)


@dataclass(frozen=True, eq=False)
class Measured:
    """All rows of one scan, the depth profile and the unwrapped rim."""

    rows: tuple[Measurement, ...]
    profile: DepthProfile
    rim_map: RimMap


def measure_scan(
    near: Neighbourhood,
    reference: Reference,
    outline: Outline,
    settings: Settings,
    volume: Volume,
    *,
    skeleton: Skeleton | None = None,
    whole_verdicts: Verdicts = (),
    zones: Zones | None = None,
) -> Measured:
    """Measure everything about one outlined lesion on the scan's own voxels.

    Parameters
    ----------
    near : surroundings, reaching at least 12 mm beyond the outline where the scan does.
    volume, skeleton : the whole scan, for muscle far away.
    whole_verdicts : what limits every quantity of this scan, such as metal or an unknown tube voltage.
    zones : depths on the grid of ``near`` where they are known.
    """
    zones = zones or find_zones(outline, near.grid, settings.zones)
    site = Site(outline.scan, near, reference, outline, zones, settings)
    has_mineral = bool(site.mineral.any())
    rim_rows, rim_map, blurred = measure_rim(site, has_mineral=has_mineral)
    estimates = [
        *measure_shape(site),
        *measure_mineral(site, blurred),
        *measure_zones(site),
        *rim_rows,
        *measure_bone(site),
        *measure_muscle(site, volume, skeleton),
    ]
    found = {e.quantity: e for e in estimates}
    rows = []
    for name in quantities_of(settings.mineral):
        estimate, row = found.get(name), quantity(name)
        if estimate is None:
            rows.append(not_stated(outline.scan, name, (withhold("not-measured"),)))
        else:
            rows.append(as_row(outline.scan, estimate, allowed(site, row), () if row.own_tissue else whole_verdicts))
    return Measured(tuple(rows), _profile(site), rim_map)


def _interval_of(estimate: Estimate, row: Quantity) -> Verdicts:
    """The caution of a value, which is stated, whose interval alone says that it is uncertain."""
    assert estimate.value is not None
    low, high = estimate.interval
    reach = max(estimate.value - low, high - estimate.value)
    return (caution("interval-wide", dominant=estimate.dominant),) if row.widest.reached(reach, estimate.value) else ()


def as_row(scan: int, estimate: Estimate, before: Verdicts = (), after: Verdicts = ()) -> Measurement:
    """The row of an estimate; a withheld one loses its numbers, one with a wide interval is cautioned.

    ``before`` and ``after``: what limits it whatever its value, said before and after its own verdicts.
    """
    if estimate.value is None or not np.isfinite(estimate.value):
        own = estimate.verdicts or (withhold("undetermined"),)
        barred = tuple(v for v in after if v.trust == "withheld")
        return not_stated(scan, estimate.quantity, (*own, *barred))
    verdicts = (*before, *estimate.verdicts, *_interval_of(estimate, quantity(estimate.quantity)), *after)
    if trust_of(verdicts) == "withheld":
        return not_stated(scan, estimate.quantity, verdicts)
    low, high = estimate.interval
    return Measurement(
        scan,
        estimate.quantity,
        float(estimate.value),
        float(low),
        float(high),
        estimate.unit,
        trust_of(verdicts),
        reason_of(verdicts),
        estimate.dominant,
        estimate.detail,
        {k: (estimate.down.get(k, 0.0), estimate.up.get(k, 0.0)) for k in {**estimate.down, **estimate.up}},
        verdicts,
    )


def not_stated(scan: int, name: str, verdicts: Verdicts) -> Measurement:
    """The row of a quantity that is withheld, for those of the verdicts that withhold it."""
    reason = reason_of(verdicts, "withheld")
    return Measurement(scan, name, None, None, None, quantity(name).unit, "withheld", reason, verdicts=verdicts)


def rows_without_lesion(
    scan: int, reference: Reference, why: Verdict, settings: MineralSettings | None = None
) -> tuple[Measurement, ...]:
    """The rows of a scan in which there is nothing to measure, for one reason; its steady tissues are still stated."""
    return withhold_all(scan, why, tuple(as_row(scan, e) for e in steady_tissues(reference)), settings)


def withhold_all(
    scan: int, why: Verdict, kept: tuple[Measurement, ...] = (), settings: MineralSettings | None = None
) -> tuple[Measurement, ...]:
    """Every quantity withheld for one reason, but for those in ``kept``."""
    held = {row.quantity: row for row in kept}
    wanted = quantities_of(settings or MineralSettings())
    return tuple(held.get(name) or not_stated(scan, name, (why,)) for name in wanted)


def _profile(site: Site) -> DepthProfile:
    """Mean HU120 and its noise interval in depth bins of about 1 mm, from 6 mm outside to the centre."""
    deepest = site.zones.inradius_mm
    edges = np.arange(-6.0, deepest + 1.0, 1.0 if deepest > 4 else 0.5)
    centres = 0.5 * (edges[:-1] + edges[1:])
    means: list[float] = []
    errors: list[float] = []
    usable = site.usable
    depth, values = site.zones.depth[usable], site.hu120[usable]
    which = np.digitize(depth, edges) - 1
    for i in range(len(centres)):
        chosen: Any = values[which == i]
        enough = len(chosen) >= 3
        means.append(float(chosen.mean()) if enough else float("nan"))
        errors.append(2.0 * site.reference.mean_error(len(chosen) * site.voxel_mm3) if enough else float("nan"))
    mean, error = np.array(means), np.array(errors)
    return DepthProfile(site.scan, centres, mean, mean - error, mean + error, deepest)
