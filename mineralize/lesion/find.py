"""Finding the lesion again in every scan: by its own seed, by the alignment, or not at all."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from ..base import READING_DOUBTS, Floats, Note, Scan, Settings, Verdicts, Volume, caution, lazy, withhold
from ..bones import BoneNear, Skeleton, bone_near, find_skeleton
from ..reference import Reference, measure_reference
from ..timeline import Offered
from .by_hand import corrected, with_hand
from .candidates import Candidate, find_candidates
from .constraints import Hand
from .doubts import LEFT_OUT
from .drawn import outline_from_mask, outline_of_shape
from .hand_mineral import Part, parts_at, with_parts
from .margin import beyond_mineral, find_mass_margin, is_shell
from .metal import too_bright
from .near import Neighbourhood, neighbourhood
from .outline import Outline, find_outline
from .soft import find_soft_margin
from .specks import noise_of
from .start import Ellipsoid, lesion_mineral
from .zones import signed_depth

BESIDE_MM = 3.0
"""A point may lie so far outside the outline and still mean the lesion: on its rim, or a slice off."""
MARGIN_REACH_MM = (46.0, 80.0)
"""How far around a point the margin of a lesion without mineral is looked for, at first and where it is not there."""
BEYOND_MM = (2.0, 3.0, 4.0)
"""Where outside mineral that is no shell the soft tissue of the mass is looked at: past the blur of the mineral."""
FAT_BELOW_HU = -30.0
"""Upper end of fat (Aubrey 2014, Acta Physiol 210:489)."""
LARGER = 1.3
"""A soft mass around mineral is told from the blur of the mineral when it is so many times larger."""
STILL_GROWING = 0.05
"""A third look is the last unless the volume still changes by this share."""
MOST_LOOKS = 8
"""Looks at a lesion, those that only found out that its size was misjudged included."""
SURROUND_MM = 14.0
"""How much of the scan around the outline is measured."""
VOLTAGE_DOUBTS = frozenset({"kvp-unknown", "kvp-outside"})
"""Notes on the scan's slope that every quantity of the lesion carries, unless the slope is calibrated."""


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
        reach = _radius_about(outline, middle)
        near, _ = self.near(middle, reach + SURROUND_MM, reach, outline.vertices[::4])
        return near.cropped(near.grid.bounds_around(outline.vertices, SURROUND_MM))

    def verdicts(self, outline: Outline) -> Verdicts:
        """What limits every quantity of the lesion in this scan."""
        found = []
        if self.hand:
            found.append(caution("by-hand-scan"))
        if self.scan.calibration is None:
            found += [caution(n.kind) for n in self.reference.notes if n.kind in VOLTAGE_DOUBTS]
        if any(note.kind in READING_DOUBTS and note.level == "caution" for note in self.scan.notes):
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


def candidates_of(seen: SeenScan) -> tuple[Candidate, ...]:
    """What could be the lesion in one scan."""
    return find_candidates(seen.scan.number, seen.volume, seen.skeleton, seen.reference)


def drawn_lesion(seen: SeenScan, offer: Offered) -> Outline | None:
    """The outline that a reader drew before, on request used instead of ours; ``None`` where only a point was drawn."""
    if offer.mask is None or offer.grid is None:
        return None
    return outline_from_mask(
        offer.mask,
        offer.grid,
        scan=seen.scan.number,
        method="drawn",
        verdicts=(caution("drawn-by-reader"),),
        spread_mm=0.5 * float(offer.grid.spacing[1:].max()),
    )


def find_lesion(
    seen: SeenScan, point: object, settings: Settings, *, expected: Ellipsoid | None = None
) -> Outline | None:
    """Outline the lesion at a point: its mineral shell, else its mass margin, else ``None``.

    What a reader drew in the scan binds the outline.

    Without ``expected`` the point must lie in or on what is outlined; else that is something else, and withheld.
    """
    seed = np.asarray(point, float)
    return correct(seen, _unaided(seen, seed, settings, expected), seed, settings)


def correct(seen: SeenScan, found: Outline | None, seed: Floats, settings: Settings) -> Outline | None:
    """An outline with all that readers corrected in its scan; the same where they corrected nothing.

    ``seed`` (3,) LPS mm in the lesion, from which it is drawn where nothing was found.
    """
    if seen.hand.of_the_margin:
        points, _ = seen.hand.on_margin()
        known = points if found is None else np.vstack([points, found.vertices])
        middle = 0.5 * (known.min(axis=0) + known.max(axis=0))
        reach = float(np.linalg.norm(known - middle, axis=1).max())
        near, _ = seen.near(middle, 1.3 * reach + SURROUND_MM, reach)
        found = corrected(
            near, seen.reference, seen.hand, settings, scan=seen.scan.number, found=found, seed=np.asarray(seed, float)
        )
    return None if found is None else with_hand(found, seen.hand)


def _unaided(seen: SeenScan, seed: Floats, settings: Settings, expected: Ellipsoid | None) -> Outline | None:
    """The outline at a point as the program alone finds it."""
    outline = _outlined(seen, seed, settings, expected)
    if outline is None or expected is not None:
        return outline
    off = _outside_mm(outline, seed)
    if off <= BESIDE_MM:
        return outline
    # The point may lie in a mass with a clump of mineral to one side.
    mass = _by_soft_margin(seen, seed)
    if mass is not None and _outside_mm(mass, seed) <= 0.0:
        return mass
    return replace(outline, verdicts=(withhold("point-outside", mm=off),))


def _outside_mm(outline: Outline, point: Floats) -> float:
    """How far (mm) a point lies outside an outline; negative inside."""
    nearest = int(np.linalg.norm(outline.vertices - point, axis=1).argmin())
    normal = outline.normals[nearest]
    return float((point - outline.vertices[nearest]) @ normal)


def _outlined(seen: SeenScan, seed: Floats, settings: Settings, expected: Ellipsoid | None) -> Outline | None:
    """The outline at a seed: of its mineral, of the soft mass around that, or of a mass without any."""
    outline, near, guess = _by_mineral(seen, seed, settings, expected)
    if outline is None:
        if expected is not None:
            return _again_by_margin(seen, expected, guess, settings)
        return _by_soft_margin(seen, seed)
    if outline.left_out > LEFT_OUT and expected is None:
        shape = outline_of_shape(near, _mineral_at(seen, near, seed, settings), seen.scan.number)
        # The pieces of a broken shell close to fragments, not to the lesion.
        if shape is not None and shape.volume_mm3 > 0.5 * outline.volume_mm3:
            return shape
    if is_shell(near, seen.reference, settings, outline):
        return outline
    middle, radius = outline.centroid, _radius_about(outline, outline.centroid)
    near, _ = seen.near(middle, 2.2 * radius + 10.0, radius)
    return _mass_around(seen, outline) or beyond_mineral(near, seen.reference, settings, outline)


def _by_mineral(
    seen: SeenScan, seed: Floats, settings: Settings, expected: Ellipsoid | None
) -> tuple[Outline | None, Neighbourhood, float]:
    """The outline of the mineral at a seed, what was looked at last, and the radius (mm) that was guessed for it.

    The first look reaches far; the second knows the size and parts bone accordingly.
    """
    guess = 18.0 if expected is None else float(expected.radii.max())
    centre = seed if expected is None else expected.centre
    surface: Floats | None = None
    looks, before = 0, 0.0
    size = guess
    for _ in range(MOST_LOOKS):
        reach = guess + (28.0 if looks == 0 else 14.0)
        near, _ = seen.near(centre, reach, size, surface)
        outline = find_outline(near, seen.reference, seed, settings, scan=seen.scan.number, expected=expected)
        # A large lesion on bone passes for bone until its size is allowed for.
        missed = outline is None or (
            expected is None and looks == 0 and (outline.trust == "withheld" or _outside_mm(outline, seed) > BESIDE_MM)
        )
        if missed and guess < 50.0 and near.bone_at(seed[None])[0] < 0.0:
            guess *= 1.6
            size = guess
            continue
        if outline is None:
            break
        looks += 1
        changed = abs(outline.volume_mm3 - before) > STILL_GROWING * outline.volume_mm3
        before = outline.volume_mm3
        if looks >= 3 and not changed:
            break
        middle, radius = outline.centroid, _radius_about(outline, outline.centroid)
        inside_view = reach - radius - float(np.linalg.norm(middle - centre)) > 6.0
        steady = abs(radius - size) < 0.2 * radius and (looks < 3 or not changed)
        if inside_view and steady and (looks > 1 or expected is not None):
            break
        centre, guess = middle, min(radius * (1.0 if inside_view else 1.4), settings.outline.largest_radius_mm)
        size, surface = radius, outline.vertices[::4]
    return outline, near, guess


def _radius_about(outline: Outline, middle: Floats) -> float:
    """How far (mm) an outline reaches from a point."""
    return float(np.linalg.norm(outline.vertices - middle, axis=1).max())


def _mineral_at(seen: SeenScan, near: Neighbourhood, seed: Floats, settings: Settings) -> NDArray[np.bool_]:
    """The mineral that hangs together at a seed, with what a reader counted in."""
    mineral = lesion_mineral(
        near.hu120,
        near.grid,
        near.bone_distance,
        seed,
        threshold_hu120=settings.outline.mineral_hu120,
        noise=noise_of(seen.reference, near.grid),
        blur_mm=seen.reference.blur_sd_mm,
    )
    return mineral if near.added is None else mineral | near.added


def _again_by_margin(seen: SeenScan, expected: Ellipsoid, guess: float, settings: Settings) -> Outline | None:
    """The margin of a lesion without mineral that another scan shows there; ``None`` where it does not show."""
    found = _by_soft_margin(seen, expected.centre)
    size = 4.0 / 3.0 * np.pi * float(np.prod(expected.radii))
    like_muscle = found is not None and any(v.code == "like-muscle" for v in found.verdicts)
    # What looks like muscle has to be about as large as it was, or it is muscle between fat planes.
    if found is not None and (not like_muscle or 0.5 * size < found.volume_mm3 < 2.0 * size):
        return found
    near, _ = seen.near(expected.centre, guess + 28.0, guess)
    return find_mass_margin(near, seen.reference, settings, scan=seen.scan.number, expected=expected)


def _mass_around(seen: SeenScan, mineral: Outline) -> Outline | None:
    """The soft mass around mineral that is no shell; ``None`` where it is like muscle or its margin is unseen."""
    ring = mineral.vertices[::2, None, :] + np.array(BEYOND_MM)[None, :, None] * mineral.normals[::2, None, :]
    if float(np.nanmedian(seen.volume.sample(ring))) < FAT_BELOW_HU:
        return None  # mineral in fat: what is searched would be fat, bounded by muscle
    found = _by_soft_margin(seen, mineral.centroid, ring.reshape(-1, 3))
    if found is None or found.volume_mm3 < LARGER * mineral.volume_mm3:
        return None
    codes = {v.code for v in found.verdicts}
    if "like-muscle" in codes or float((signed_depth(found, mineral.vertices) < -2.0).mean()) > LEFT_OUT:
        return None
    kept = (v for v in found.verdicts if v.code != "no-shell")
    return replace(found, verdicts=(caution("mineral-no-shell"), *kept))


def _by_soft_margin(seen: SeenScan, seed: Floats, tissue_at: Floats | None = None) -> Outline | None:
    """The mass around a point by its soft margin, looked for ever farther; ``None`` where it does not show."""
    for reach in MARGIN_REACH_MM:
        near, _ = seen.near(seed, reach, 18.0)
        outline = find_soft_margin(near, seed, seen.reference, scan=seen.scan.number, tissue_at=tissue_at)
        if outline is not None:
            return outline
    return None
