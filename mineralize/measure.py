"""Every quantity of one scan, with its interval and its trust."""

from __future__ import annotations

from dataclasses import dataclass

from .geometry import Floats
from .scan import Trust


@dataclass(frozen=True)
class Measurement:
    """One row of ``measurements.csv``.

    ``value``, ``low`` and ``high`` are ``None`` when ``trust`` is ``"withheld"``; ``reason`` is plain words, empty
    only when trust is ``"ok"``. ``dominant`` names the perturbation that makes most of the interval; ``detail``
    carries extras for ``history.json`` (such as a gap's direction in words and as a unit vector).
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


@dataclass(frozen=True, eq=False)
class DepthProfile:
    """Mean HU120 by depth below the outline: ``depth_mm`` (N,) bin centres, negative outside; NaN where empty."""

    scan: int
    depth_mm: Floats
    hu120_mean: Floats
    hu120_low: Floats
    hu120_high: Floats
    inradius_mm: float


@dataclass(frozen=True, eq=False)
class RimMap:
    """The rim unwrapped: per outline vertex (V,), direction (V, 3) unit LPS from the centroid, area in mm2.

    ``peak_hu120``: highest HU120 along the inward normal; ``thickness_mm``: NaN where not mineralised;
    ``state``: 0 gap, 1 mineral, 2 unresolved, 3 facing bone contact.
    """

    scan: int
    direction: Floats
    area_mm2: Floats
    peak_hu120: Floats
    thickness_mm: Floats
    state: Floats
