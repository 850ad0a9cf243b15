"""What a time line is: scans in order, events, biopsies, seeds."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

from .scan import Note, Scan, SeriesRow
from .settings import Settings

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
class Timeline:
    """Scans in time order.

    ``day_zero`` is ``"onset"`` when ``case.toml`` gave one, else ``"first scan"``. ``seeds`` holds at most one
    point per scan, the first one given being the primary. ``notes`` tells what was set aside and why, and what
    is not comparable between scans; ``series`` is the table of all series with the reason for each 'no'.
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
