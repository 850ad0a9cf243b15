"""One scan with what is known of it before the lesion is outlined: bones, steady tissues, a reader's corrections."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from ..base import Floats, Note, Scan, Settings, Verdicts, Volume, caution, lazy
from ..bones import BoneNear, Skeleton, bone_near, find_skeleton
from ..reference import Reference, measure_reference
from .constraints import Hand
from .hand_mineral import Part, parts_at, with_parts
from .metal import too_bright
from .near import Neighbourhood, neighbourhood
from .outline import Outline

SURROUND_MM = 14.0
"""How much of the scan around the outline is measured."""
VOLTAGE_DOUBTS = frozenset({"kvp-unknown", "kvp-outside"})
"""Notes on the scan's slope that every quantity of the lesion carries, unless the slope is calibrated."""


def radius_about(outline: Outline, middle: Floats) -> float:
    """How far (mm) an outline reaches from a point."""
    return float(np.linalg.norm(outline.vertices - middle, axis=1).max())


@dataclass(frozen=True, eq=False)
class SeenScan:
    """A scan with its skeleton and its steady tissues, and what readers corrected in it."""

    scan: Scan
    volume: Volume
    skeleton: Skeleton
    reference: Reference
    settings: Settings
    hand: Hand = field(default_factory=Hand)

    @lazy
    def _parts(self) -> tuple[tuple[Part, ...], tuple[Note, ...]]:
        found: list[Part] = []
        notes: list[Note] = []
        for added, places in ((True, self.hand.added), (False, self.hand.taken)):
            parts, more = parts_at(
                self.volume,
                self.skeleton,
                self.reference,
                places,
                added=added,
                threshold_hu120=self.settings.mineral.threshold_hu120,
                subject=f"scan {self.scan.number}",
            )
            found += parts
            notes += more
        return tuple(found), tuple(notes)

    @property
    def parts(self) -> tuple[Part, ...]:
        """The parts of the mineral that a reader counted in or out."""
        return self._parts[0]

    @property
    def hand_notes(self) -> tuple[Note, ...]:
        """What of the reader's corrections came to nothing, and why."""
        return self._parts[1]

    def near(
        self, centre: Floats, radius_mm: float, lesion_radius_mm: float, surface: Floats | None = None
    ) -> tuple[Neighbourhood, BoneNear]:
        """The neighbourhood of a point, and the bone in it parted from the lesion.

        ``centre`` (3,) LPS mm; ``surface`` (N, 3) LPS mm of the lesion where it is known, else a ball of its radius.
        """
        bone = bone_near(
            self.volume,
            centre,
            radius_mm,
            self.skeleton,
            lesion_point=centre,
            lesion_radius_mm=lesion_radius_mm,
            lesion_surface=surface,
        )
        near = neighbourhood(bone.volume, bone.distance, self.reference)
        if self.parts:
            origin = np.rint(self.volume.grid.to_index(near.grid.origin)).astype(int)
            near = with_parts(near, origin, self.parts, self.reference)
        return near, bone

    def near_outline(self, outline: Outline) -> Neighbourhood:
        """The neighbourhood of an outline, with the margin that measuring wants."""
        middle = 0.5 * (outline.vertices.min(axis=0) + outline.vertices.max(axis=0))
        reach = radius_about(outline, middle)
        near, _ = self.near(middle, reach + SURROUND_MM, reach, outline.vertices[::4])
        return near.cropped(near.grid.bounds_around(outline.vertices, SURROUND_MM))

    def verdicts(self, outline: Outline) -> Verdicts:
        """What limits every quantity of the lesion in this scan."""
        found = []
        if self.hand:
            found.append(caution("by-hand-scan"))
        if self.scan.calibration is None:
            found += [caution(n.kind) for n in self.reference.notes if n.kind in VOLTAGE_DOUBTS]
        if any(note.limits and note.level == "caution" for note in self.scan.notes):
            found.append(caution("header-contradicts"))
        bright = too_bright(self.volume, self.reference, outline.vertices)
        if bright is not None:
            found.append(bright)
        return tuple(found)


def look_at(scan: Scan, settings: Settings) -> SeenScan:
    """Find the skeleton and measure the steady tissues of one scan."""
    volume = scan.volume
    skeleton = find_skeleton(volume, settings.align)
    points, normals = skeleton.points, skeleton.normals
    reference = measure_reference(
        volume,
        scan.acquisition,
        settings.mineral,
        bone_points=points,
        bone_normals=normals,
        calibration=scan.calibration,
        where=f"calibration of scan {scan.number}",
    )
    notes = tuple(replace(n, subject=n.subject or f"scan {scan.number}") for n in reference.notes)
    return SeenScan(scan, volume, skeleton, replace(reference, notes=notes), settings)
