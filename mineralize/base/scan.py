"""One CT scan: voxels in HU on a grid, how they were acquired, and what was noted on the way."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from .geometry import Floats, Grid, sample
from .lazily import lazy
from .mapped import rest


@dataclass(frozen=True)
class Note:
    """Something a reader should know.

    ``kind`` is a stable short code (``"series-set-aside"``, ``"kernel-sharp"``); ``text`` one plain sentence
    without identifiers; ``level`` is ``"info"``, ``"caution"`` or ``"refused"``; ``subject`` says what it is
    about (``"series 3 of study 2"``). ``limits`` marks what puts the geometry or the values of a scan in doubt: as a
    caution it limits every measurement of that scan.
    """

    kind: str
    text: str
    level: Literal["info", "caution", "refused"] = "info"
    subject: str = ""
    limits: bool = False


@dataclass(frozen=True)
class Acquisition:
    """How a scan was made (PS3.3 C.8.2.1, C.8.15); ``None`` or ``""`` where the file does not say."""

    kvp: float | None = None
    kernel: str = ""
    kernel_class: Literal["soft", "medium", "sharp", "unknown"] = "unknown"
    slice_thickness_mm: float | None = None
    slice_spacing_mm: float | None = None
    pixel_spacing_mm: float | None = None
    reconstruction_diameter_mm: float | None = None
    contrast_agent: bool | None = None
    tube_current_mas: float | None = None
    manufacturer: str = ""
    virtual_kev: float | None = None
    lossy: bool = False


@dataclass(frozen=True)
class Rod:
    """A calibration rod in the scan: a cylinder of known hydroxyapatite density (0: water).

    ``centre`` LPS mm; ``axis`` a unit vector.
    """

    centre: tuple[float, float, float]
    axis: tuple[float, float, float]
    length_mm: float
    radius_mm: float
    mg_cm3: float


@dataclass(frozen=True)
class Calibration:
    """What is known of a scan's own HU per mg/cm3 of hydroxyapatite: the slope itself, or rods to find it from.

    ``uncertainty`` is the relative 95 % half-width of a given slope; ``None`` where it was not said.
    """

    slope: float | None = None
    uncertainty: float | None = None
    rods: tuple[Rod, ...] = ()


@dataclass(frozen=True)
class SeriesRow:
    """One line of the table of series: what was found, whether it is measured, and why (not).

    ``part`` is 0 unless one series held several stacks. ``code`` is a stable short word where the series cannot be
    used at all; ``score`` is ``None`` then. No identifier, date or free text is in here.
    """

    study: int
    series: int
    part: int
    images: int
    chosen: bool
    reason: str
    code: str = ""
    score: float | None = None
    kernel: str = ""
    kernel_class: str = "unknown"
    kvp: float | None = None
    slice_spacing_mm: float | None = None
    slice_thickness_mm: float | None = None
    extent_mm: float | None = None

    @property
    def label(self) -> str:
        """Neutral name, as in messages."""
        return f"study {self.study} series {self.series}" + (f" part {self.part}" if self.part else "")


@dataclass(frozen=True, eq=False)
class Volume:
    """HU on a grid: ``hu`` is ``(slices, rows, columns)``, int16 where exact, else float32, read-only."""

    hu: NDArray[Any]
    grid: Grid

    def __post_init__(self) -> None:
        if self.hu.shape != self.grid.shape:
            raise ValueError(f"voxels {self.hu.shape} do not fit the grid {self.grid.shape}")
        self.hu.flags.writeable = False

    def rest(self) -> None:
        """Let go of memory until the voxels are looked at again, where they lie in a file."""
        rest(self.hu)

    def sample(self, world: Any, *, order: int = 1) -> Floats:
        """HU at ``(..., 3)`` LPS points; NaN outside the scan."""
        world = np.asarray(world, float)
        if order == 1:
            return sample(self.hu, self.grid, world)
        bounds = self.grid.bounds_around(world, 3 * float(self.grid.spacing.max()))
        part = self.crop(bounds)
        return sample(part.hu, part.grid, world, order=order)

    def crop(self, bounds: Any) -> Volume:
        """float32 copy of a box of index ranges ((lo, hi), (lo, hi), (lo, hi))."""
        (a, b), (c, d), (e, f) = bounds
        part = self.hu[a:b, c:d, e:f].astype(np.float32)
        self.rest()
        return Volume(part, self.grid.cropped(bounds))

    def around(self, points: Any, margin_mm: float) -> Volume:
        """float32 copy of the box of LPS points plus a margin, clipped to the scan."""
        return self.crop(self.grid.bounds_around(points, margin_mm))


class Source(Protocol):
    """Something that can read a volume (picklable)."""

    def read(self) -> Volume: ...


@dataclass(frozen=True, eq=False)
class InMemory:
    """A source that already holds its volume; for tests and for use from Python."""

    held: Volume

    def read(self) -> Volume:
        return self.held


@dataclass(frozen=True, eq=False)
class Scan:
    """One scan of the time line.

    ``number`` counts in time order from 1; ``day`` is whole days from day zero; ``grid`` is known before the
    voxels are read; ``volume`` is read on first use and kept. ``label`` names the chosen series without
    identifiers. ``date`` (``YYYY-MM-DD``) is printed only with ``--keep-dates``.
    """

    number: int
    day: int
    grid: Grid
    acquisition: Acquisition
    source: Source
    label: str = ""
    date: str = ""
    notes: tuple[Note, ...] = ()
    identifiers: dict[str, str] = field(default_factory=dict, repr=False)
    calibration: Calibration | None = None

    @lazy
    def volume(self) -> Volume:
        return self.source.read()

    def forget(self) -> None:
        """Drop the voxels; they are read again on next use."""
        self.__dict__.pop("volume", None)
