"""What a time line is: scans in order, events, biopsies, seeds."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ..base import Grid, Note, Scan, SeriesRow, Settings

EventKind = Literal["injury", "biopsy", "excision", "treatment", "other"]


@dataclass(frozen=True)
class Event:
    """Something that happened, in days from day zero."""

    day: int
    kind: EventKind
    text: str = ""
    date: str = ""


@dataclass(frozen=True)
class BiopsySite:
    """Where tissue was taken: a point or entry and target (LPS mm of scan ``scan``, numbered from 1)."""

    scan: int
    target: tuple[float, float, float]
    entry: tuple[float, float, float] | None = None
    day: int | None = None


@dataclass(frozen=True)
class Seed:
    """A point in the lesion, LPS mm of scan ``scan`` (numbered from 1 in time order)."""

    scan: int
    point: tuple[float, float, float]


@dataclass(frozen=True, eq=False)
class Offered:
    """A place that was drawn in a scan before, by a segmentation, a contour set or a report.

    ``number`` counts from 1 as ``inspect`` lists them (``[lesion] drawn = 1`` in ``case.toml`` takes it). ``point``
    (LPS mm of scan ``scan``) lies inside the region. ``mask`` is the region on ``grid``, a part of the scan's own
    grid; both are ``None`` for a mere point.
    """

    number: int
    kind: str
    scan: int
    point: tuple[float, float, float]
    volume_mm3: float | None = None
    mask: NDArray[np.bool_] | None = field(default=None, repr=False)
    grid: Grid | None = field(default=None, repr=False)


@dataclass(frozen=True, eq=False)
class Timeline:
    """Scans in time order.

    ``day_zero`` is ``"onset"`` when ``case.toml`` gave one, else ``"first scan"``. ``seeds`` holds at most one
    point per scan, the first one given being the primary. ``notes`` tells what was set aside and why, and what
    is not comparable between scans; ``series`` is the table of all series with the reason for each 'no'.
    ``offered`` are places drawn before; ``drawn_outline`` is the number of the one to be used as the outline, where
    ``case.toml`` asks for that.
    """

    scans: tuple[Scan, ...]
    alias: str = "case"
    day_zero: Literal["onset", "first scan"] = "first scan"
    events: tuple[Event, ...] = ()
    biopsies: tuple[BiopsySite, ...] = ()
    seeds: tuple[Seed, ...] = ()
    notes: tuple[Note, ...] = ()
    settings: Settings = field(default_factory=Settings)
    input_hash: str = ""
    series: tuple[SeriesRow, ...] = ()
    offered: tuple[Offered, ...] = ()
    drawn_outline: int | None = None
    hasher: Callable[[], str] | None = field(default=None, repr=False)

    def content_hash(self) -> str:
        """One hash of all that was read, without identifiers; read from the files when asked for."""
        return self.input_hash or (self.hasher() if self.hasher is not None else "")

    def scan(self, number: int) -> Scan:
        """The scan of that number (from 1). KeyError when there is none."""
        for scan in self.scans:
            if scan.number == number:
                return scan
        raise KeyError(f"there is no scan {number}; the case has {len(self.scans)}")
