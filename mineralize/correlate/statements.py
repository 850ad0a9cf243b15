"""What correlation says: statements with what they rest on, expected tissue, and where tissue was taken."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from ..base import Trust

Zone = Literal["outside", "rim", "middle", "core"]
RimState = Literal["present", "gap", "edge of a gap", "unresolved", "bone contact", "not assessed"]


@dataclass(frozen=True)
class Finding:
    """One plain statement, the measurements it rests on (``(scan, quantity)``), its trust and its limits.

    ``brief`` is the same in about ten words, ``plain`` the text without its cautions, ``why`` the reason of what was
    not assessed. ``key`` is a stable short code of what is said
    (``"zoning.reversed"``), so that a caller need not read the words; ``rests_on_changes`` are ``(from_scan, to_scan,
    quantity)``; ``sources`` are full citations.
    """

    topic: str
    text: str
    rests_on: tuple[tuple[int, str], ...]
    trust: Trust
    limits: str = ""
    key: str = ""
    rests_on_changes: tuple[tuple[int, int, str], ...] = ()
    sources: tuple[str, ...] = ()
    brief: str = ""
    plain: str = ""
    why: str = ""


@dataclass(frozen=True)
class Answer:
    """A short answer to one question: ``place``, ``mineral``, ``course``, ``needle`` or ``distrust``.

    ``rests_on`` is the first part of the key of the findings below it, or ``biopsy``, or ``cautions``.
    """

    question: Literal["place", "mineral", "course", "needle", "distrust"]
    text: str
    trust: Trust
    rests_on: str


@dataclass(frozen=True)
class Described:
    """One feature: what was measured here, and what is published of it for three kinds of lesion, side by side."""

    feature: str
    here: str
    myositis_ossificans: str
    extraskeletal_osteosarcoma: str
    parosteal_osteosarcoma: str
    trust: Trust
    sources: tuple[str, ...]


@dataclass(frozen=True)
class ExpectedTissue:
    """Tissue that the literature describes in one zone at one stage, and what was measured there.

    ``stage`` is ``"early"``, ``"intermediate"`` or ``"mature"``; ``days`` its usual range in words. ``scans`` are
    the scans whose measured picture is that of the stage (never by their day; empty where the lesion departs from
    the picture), ``biopsies`` the numbers of the biopsies given in one of them. ``measured`` holds one line per such
    scan. ``sources`` are full citations; each says when it is given from memory.
    """

    zone: Literal["centre", "middle", "periphery"]
    stage: Literal["early", "intermediate", "mature"]
    days: str
    tissue: str
    on_ct: str
    scans: tuple[int, ...]
    biopsies: tuple[int, ...]
    measured: tuple[str, ...]
    sources: tuple[str, ...]
    limits: str = ""


@dataclass(frozen=True)
class SiteInScan:
    """The biopsy site as it lies in one scan.

    ``point`` and ``entry`` are LPS mm of that scan; ``error_mm`` the 95 % half-width of the position from the
    alignment (0 in the scan in which the site was given; bone only, muscle may have moved more). Numbers are
    ``None`` where ``trust`` is ``"withheld"``. ``path_mm`` gives the length of the path inside each zone (empty
    for a single point), ``runs_mm`` its stretches in order (zone, begin and end in mm from the entry); ``ball_hu`` the
    mean HU within 2.5 mm of the target and ``ball_sd_hu`` its spread.
    """

    scan: int
    point: tuple[float, float, float] | None
    entry: tuple[float, float, float] | None
    error_mm: float | None
    zone: Zone | None
    depth_mm: float | None
    depth_low_mm: float | None
    depth_high_mm: float | None
    inradius_mm: float | None
    normalised_depth: float | None
    direction: tuple[float, float, float] | None
    direction_words: str
    ball_hu: float | None
    ball_sd_hu: float | None
    rim_state: RimState
    path_mm: tuple[tuple[Zone, float], ...]
    days_from_biopsy: int | None
    track: str
    trust: Trust
    reason: str
    text: str
    runs_mm: tuple[tuple[Zone, float, float], ...] = ()


Line = tuple[tuple[float, float], ...]
"""Points in a plane, mm."""


@dataclass(frozen=True)
class Section:
    """The lesion cut along the needle and through its middle, in mm from the cut's upper left corner.

    ``outline``, ``intermediate`` and ``central`` are the closed borders of the lesion and of its two inner zones;
    ``entry`` is where the drawn path begins, ``None`` for a single point. ``edges`` are the anatomical words at the
    top, right, bottom and left.
    """

    width_mm: float
    height_mm: float
    outline: tuple[Line, ...]
    intermediate: tuple[Line, ...]
    central: tuple[Line, ...]
    entry: tuple[float, float] | None
    target: tuple[float, float]
    edges: tuple[str, str, str, str]


@dataclass(frozen=True)
class BiopsyReport:
    """Where one biopsy came from.

    ``site`` is the place in the scan in which it was given, ``carried`` the same place in every other scan.
    ``zones`` are the zones that were reached; ``lesion_share`` the share of the lesion's volume in each zone;
    ``caution`` is empty unless only one zone was reached or the place is in doubt. ``section`` is a drawing of it.
    """

    number: int
    day: int | None
    site: SiteInScan
    carried: tuple[SiteInScan, ...]
    zones: tuple[Zone, ...]
    lesion_share: tuple[tuple[Zone, float], ...]
    text: str
    caution: str
    trust: Trust
    limits: str = ""
    sources: tuple[str, ...] = ()
    section: Section | None = None
