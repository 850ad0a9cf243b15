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


@dataclass(frozen=True)
class MarginPoint:
    """What a reader said: the margin of the lesion runs through ``at`` (LPS mm of scan ``scan``).

    ``day`` of the act is counted from day zero, ``None`` where it was not said; ``carry`` asks for it to be carried to
    the other scans by the alignment. The same holds for :class:`Contour` and :class:`MineralPart`.
    """

    scan: int
    at: tuple[float, float, float]
    day: int | None = None
    carry: bool = False


@dataclass(frozen=True)
class Contour:
    """A closed curve that a reader drew in one plane: ``points`` LPS mm in order, the last joined to the first."""

    scan: int
    points: tuple[tuple[float, float, float], ...]
    day: int | None = None
    carry: bool = False


@dataclass(frozen=True)
class MineralPart:
    """A part of the mineral, at ``at`` (LPS mm), that a reader counted in (``"add"``) or out (``"take"``)."""

    scan: int
    at: tuple[float, float, float]
    act: Literal["add", "take"]
    day: int | None = None
    carry: bool = False


@dataclass(frozen=True)
class HandActs:
    """All that readers corrected by hand in a case, in the order of ``case.toml``."""

    margin: tuple[MarginPoint, ...] = ()
    contours: tuple[Contour, ...] = ()
    mineral: tuple[MineralPart, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.margin or self.contours or self.mineral)

    @property
    def scans(self) -> frozenset[int]:
        """The scans in which something was corrected."""
        return frozenset(
            [p.scan for p in self.margin] + [c.scan for c in self.contours] + [m.scan for m in self.mineral]
        )

    def of(self, scan: int, *, carried_only: bool = False) -> HandActs:
        """What was done in one scan; on request only what is to be carried to the others."""
        return HandActs(
            tuple(a for a in self.margin if a.scan == scan and (a.carry or not carried_only)),
            tuple(a for a in self.contours if a.scan == scan and (a.carry or not carried_only)),
            tuple(a for a in self.mineral if a.scan == scan and (a.carry or not carried_only)),
        )


@dataclass(frozen=True, eq=False)
class Offered:
    """A place that was drawn in a scan before, by a segmentation, a contour set or a report.

    ``number`` counts from 1 as ``inspect`` lists them (``[lesion] drawn = 1`` in ``case.toml`` takes it). ``point``
    (LPS mm of scan ``scan``) lies inside the region. ``mask`` is the region, boolean (slices, rows, columns) on
    ``grid``, a part of the scan's own grid; both are ``None`` for a mere point. ``tag`` names it whatever else is drawn
    later (:func:`.which.place_tag`).
    """

    number: int
    kind: str
    scan: int
    point: tuple[float, float, float]
    volume_mm3: float | None = None
    mask: NDArray[np.bool_] | None = field(default=None, repr=False)
    grid: Grid | None = field(default=None, repr=False)
    tag: str = ""


@dataclass(frozen=True, eq=False)
class Timeline:
    """Scans in time order.

    ``day_zero`` is ``"onset"`` when ``case.toml`` gave one, else ``"first scan"``. ``seeds`` holds at most one
    point per scan, the first one given being the primary. ``notes`` tells what was set aside and why, and what
    is not comparable between scans; ``series`` is the table of all series with the reason for each 'no'.
    ``offered`` are places drawn before; ``drawn_outline`` is the number of the one to be used as the outline, where
    ``case.toml`` asks for that. ``by_hand`` is what readers corrected.
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
    by_hand: HandActs = field(default_factory=HandActs)
    hasher: Callable[[], str] | None = field(default=None, repr=False)

    def content_hash(self) -> str:
        """One hash of all that was read, without identifiers; read from the files when asked for.

        ``InputError`` where a file can no longer be read.
        """
        return self.input_hash or (self.hasher() if self.hasher is not None else "")

    def scan(self, number: int) -> Scan:
        """The scan of that number (from 1). KeyError when there is none."""
        for scan in self.scans:
            if scan.number == number:
                return scan
        raise KeyError(f"there is no scan {number}; the case has {len(self.scans)}")
