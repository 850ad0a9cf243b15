"""What readers drew by hand in one scan, as points that the outline must pass through and parts of the mineral."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from ..base import Floats, Rigid
from ..timeline import HandActs

HAND_SD_MM = 1.0
"""Standard deviation of a place on the margin that a reader points at (own judgement: a pixel or two)."""
ALONG_MM = 3.0
"""Places along a drawn curve are taken so far apart."""
ONE_STROKE_MM = 9.0
"""Along a drawn curve the hand errs alike over about this length: its places count for as many as it holds strokes."""
SLID_MM = 1.0
"""Standard deviation that tissue moving against bone adds to what is carried from another scan (own judgement)."""


@dataclass(frozen=True, eq=False)
class Hand:
    """Corrections that hold in one scan, LPS mm of it.

    ``points`` (M, 3) on the margin, each with a standard deviation ``sd_mm`` (M,); ``contours`` closed curves (K, 3)
    with their own ``contour_sd_mm``; ``added`` and ``taken`` (·, 3) places in parts of the mineral. ``carried_from``
    are the other scans from which some of it was carried here.
    """

    points: Floats = field(default_factory=lambda: np.zeros((0, 3)))
    sd_mm: Floats = field(default_factory=lambda: np.zeros(0))
    contours: tuple[Floats, ...] = ()
    contour_sd_mm: tuple[float, ...] = ()
    added: Floats = field(default_factory=lambda: np.zeros((0, 3)))
    taken: Floats = field(default_factory=lambda: np.zeros((0, 3)))
    carried_from: tuple[int, ...] = ()

    @property
    def of_the_margin(self) -> bool:
        """Whether anything was said about the margin."""
        return bool(len(self.points) or self.contours)

    @property
    def of_the_mineral(self) -> bool:
        """Whether a part of the mineral was added or taken."""
        return bool(len(self.added) or len(self.taken))

    def __bool__(self) -> bool:
        return self.of_the_margin or self.of_the_mineral

    def on_margin(self) -> tuple[Floats, Floats]:
        """All places on the margin (N, 3) LPS mm, those along contours included, and standard deviations (N,) mm."""
        places, errors = [self.points], [self.sd_mm]
        for curve, sd in zip(self.contours, self.contour_sd_mm, strict=True):
            along = evenly_along(curve, ALONG_MM)
            places.append(along)
            errors.append(np.full(len(along), sd * np.sqrt(ONE_STROKE_MM / ALONG_MM)))
        return np.concatenate(places), np.concatenate(errors)


def evenly_along(curve: Floats, step_mm: float) -> Floats:
    """Points (N, 3) about ``step_mm`` apart along a closed curve given by its corners (K, 3)."""
    closed = np.vstack([curve, curve[:1]])
    length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    count = max(round(length[-1] / step_mm), 8)
    at = np.arange(count) * length[-1] / count
    return np.stack([np.interp(at, length, closed[:, k]) for k in range(3)], axis=1)


@dataclass(frozen=True)
class Carrier:
    """How to get from one scan to another: a rigid motion and its standard deviation at the lesion in mm."""

    motion: Rigid
    sd_mm: float


def hand_of(acts: HandActs, scan: int, carrier_from: Callable[[int], Carrier | None] | None = None) -> Hand:
    """What holds in ``scan``: what was done in it, and what is carried from others.

    ``carrier_from`` says how to get from another scan to this one, ``None`` where that is not known well enough;
    without it nothing is carried.
    """
    sources = sorted(acts.scans - {scan}) if carrier_from is not None else []
    parts: list[tuple[HandActs, Carrier | None]] = [(acts.of(scan), None)]
    carried = []
    for other in sources:
        more = acts.of(other, carried_only=True)
        carrier = carrier_from(other) if more and carrier_from is not None else None
        if more and carrier is not None:
            parts.append((more, carrier))
            carried.append(other)
    points: list[Floats] = []
    errors: list[float] = []
    contours: list[Floats] = []
    contour_errors: list[float] = []
    mineral: dict[str, list[Floats]] = {"add": [], "take": []}
    for own, by in parts:
        sd = HAND_SD_MM if by is None else float(np.sqrt(HAND_SD_MM**2 + by.sd_mm**2 + SLID_MM**2))

        def here(place: object, by: Carrier | None = by) -> Floats:
            place = np.asarray(place, float)
            return place if by is None else by.motion.apply(place)

        points += [here(p.at) for p in own.margin]
        errors += [sd] * len(own.margin)
        contours += [here(c.points) for c in own.contours]
        contour_errors += [sd] * len(own.contours)
        for part in own.mineral:
            mineral[part.act].append(here(part.at))
    return Hand(
        np.array(points).reshape(-1, 3),
        np.array(errors),
        tuple(contours),
        tuple(contour_errors),
        np.array(mineral["add"]).reshape(-1, 3),
        np.array(mineral["take"]).reshape(-1, 3),
        tuple(carried),
    )
