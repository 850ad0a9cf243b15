"""What a quantity is: the columns of the one table of quantities (``quantity_table``)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from .terms import Term

Need = Literal["nothing", "surface", "middle", "layer", "sum"]
"""What a quantity needs of the outline: nothing at all; all of the closed surface; that its middle is the lesion's; a
border of the mineral where it is seen; or only that all mineral of the lesion is inside."""
Mover = Literal["kvp", "fat by kvp", "slice", "kernel", "contrast"]
Region = Literal["lesion", "rim", "core", "mineral", "surroundings", "muscle", "fat", "cortex"]
"""Regions of a report; the last three are the patient's own steady tissues, away from the lesion."""


@dataclass(frozen=True)
class Report:
    """How a quantity is written into a structured report: in which region, under which name, derivation and site.

    ``method`` names how it is measured where the name alone could be taken for another measure; ``over_threshold``
    says that it rests on the threshold of mineral, which is then written beside it.
    """

    region: Region
    name: Term
    method: Term | None = None
    derivation: Term | None = None
    site: Term | None = None
    over_threshold: bool = False


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


@dataclass(frozen=True)
class Quantity:
    """One row of the table.

    ``bounds``: what it can be. ``rim``: rests on slices that can show a rim. ``long``: reaches across slices, so that
    thick ones forbid it. ``own_tissue``: of the scan, not of the lesion. ``surface_only``: of the outline, whatever
    lies in it. ``moved_by``: what of two unlike scans alone may move it. ``doubt``: which share of a kind of verdict
    says how far a caution may have moved it (otherwise three times ``widest``). ``grows``: has a doubling time.
    ``share``: is read in percent. ``group``: where tables list it. ``title`` heads rows and axes, ``named`` stands in
    sentences, ``meaning`` says in one breath what it is; all three are empty where a row is its family's at another
    threshold. ``report``: how it is written into a structured report, ``None`` where it is not.
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
    share: bool = False
    group: str = ""
    title: str = ""
    named: str = ""
    meaning: str = ""
    report: Report | None = None

    @property
    def percent(self) -> bool:
        """Percent has meaning for sizes, masses and the ratio, not for HU or shares."""
        return self.unit in {"mm", "mm2", "mm3", "mg"} or self.name == "rim_core_ratio"
