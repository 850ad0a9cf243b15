"""Finding the lesion again in every scan: by its own seed, by the alignment, or not at all.

Numbers below without another source are own judgement, held against truth by ``scripts/validate``.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ..base import Floats, Settings, caution, withhold
from ..surface import sphere_directions
from ..timeline import Offered
from .by_hand import corrected, with_hand
from .candidates import Candidate, find_candidates
from .doubts import LEFT_OUT
from .drawn import outline_from_mask, outline_of_shape
from .margin import beyond_mineral, find_mass_margin, is_shell
from .near import Neighbourhood
from .outline import Outline, find_outline, mineral_at
from .seen import SURROUND_MM, SeenScan, radius_about
from .soft import find_soft_margin
from .start import Ellipsoid
from .wall import seen_wall
from .zones import signed_depth

BESIDE_MM = 3.0
"""A point may lie so far outside the outline and still mean the lesion: on its rim, or a slice off."""
MARGIN_REACH_MM = (46.0, 80.0)
"""How far around a point the margin of a lesion without mineral is looked for, at first and where it is not there."""
BEYOND_MM = (2.0, 3.0, 4.0)
"""Where outside mineral that is no shell the soft tissue of the mass is looked at: past the blur of the mineral."""
MOST_BEYOND = 0.2
"""Share of the places looked at outside mineral that may lie outside the mass around it."""
FAT_BELOW_HU = -30.0
"""Upper end of fat (Aubrey 2014, Acta Physiol 210:489)."""
LARGER = 1.3
"""A soft mass around mineral is told from the blur of the mineral when it is so many times larger."""
STILL_GROWING = 0.05
"""A third look is the last unless the volume still changes by this share."""
FIRST_GUESS_MM = 18.0
"""Radius from which a lesion of unknown size is looked for."""
FIRST_REACH_MM, LATER_REACH_MM = 28.0, 14.0
"""How far beyond the guessed radius the scan is looked at, first and once the size is about known."""
LARGEST_ON_BONE_MM, GROWTH = 50.0, 1.6
"""A point in what passes for bone is looked at again with a radius so many times larger, up to this one."""
ROOM_MM = 6.0
"""An outline nearer than this to the edge of what was looked at may be cut by it."""
SAME_SIZE = 0.2
"""Looks agree on the size where they differ by less than this share."""
WIDER = 1.4
"""Radius of the next look over that of an outline that the present one may have cut."""
LEAST_OF_OUTLINE = 0.5
"""Share of the outline's volume below which the mineral closes to fragments only."""
KNOWN_DIRECTIONS, KNOWN_LEVELS, KNOWN_AS_BONE = 300, np.array([0.5, 0.7, 0.85]), 0.5
"""Places in a lesion whose surface is known (directions, shares of its radius), and how many must be labelled as
a bone that is no shaft for the lesion to be one part with it."""
OFTEN_ENOUGH = 3
"""Looks after which the outline is taken unless it still grows."""
UNSEEN = ("edge-unseen", "mineral-outside")
"""Verdicts that, withheld, say that an outline of mineral is mostly a guess."""
WALL_AS_BONE = 0.15
"""Share of the wall around a point that is labelled as a small bone from which the two are one part."""
MOST_LOOKS = 8
"""Looks at a lesion, those that only found out that its size was misjudged included."""


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
    unseen = any(v.code in UNSEEN and v.trust == "withheld" for v in outline.verdicts)
    if off <= BESIDE_MM and not unseen:
        return outline
    # The point may lie in a mass with a clump of mineral to one side, which a mostly unseen outline makes a shell of.
    mass = _by_soft_margin(seen, seed)
    if mass is not None and _outside_mm(mass, seed) <= 0.0 and (off > BESIDE_MM or mass.trust != "withheld"):
        return mass
    if off <= BESIDE_MM:
        return outline
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
        shape = outline_of_shape(near, mineral_at(near, seen.reference, seed, settings), seen.scan.number)
        # The pieces of a broken shell close to fragments, not to the lesion.
        if shape is not None and shape.volume_mm3 > LEAST_OF_OUTLINE * outline.volume_mm3:
            return shape
    if is_shell(near, seen.reference, settings, outline):
        return outline
    middle, radius = outline.centroid, radius_about(outline, outline.centroid)
    near, _ = seen.near(middle, 2.2 * radius + 10.0, radius)
    return _mass_around(seen, outline) or beyond_mineral(near, seen.reference, settings, outline)


def _by_mineral(
    seen: SeenScan, seed: Floats, settings: Settings, expected: Ellipsoid | None
) -> tuple[Outline | None, Neighbourhood, float]:
    """The outline of the mineral at a seed, what was looked at last, and the radius (mm) that was guessed for it.

    The first look reaches far; the second knows the size and parts bone accordingly.
    """
    guess = FIRST_GUESS_MM if expected is None else float(expected.radii.max())
    centre = seed if expected is None else expected.centre
    surface = _first_surface(seen, seed, settings) if expected is None else _known_surface(seen, expected)
    if surface is not None and expected is None:
        guess = float(np.linalg.norm(surface - seed, axis=1).max())
    looks, before = 0, 0.0
    size = guess
    for _ in range(MOST_LOOKS):
        reach = guess + (FIRST_REACH_MM if looks == 0 else LATER_REACH_MM)
        near, _ = seen.near(centre, reach, size, surface)
        outline = find_outline(near, seen.reference, seed, settings, scan=seen.scan.number, expected=expected)
        # A large lesion on bone passes for bone until its size is allowed for.
        missed = outline is None or (
            expected is None and looks == 0 and (outline.trust == "withheld" or _outside_mm(outline, seed) > BESIDE_MM)
        )
        # What is taken for bone may be its shell, where some lies within reach of the next guess.
        if missed and guess < LARGEST_ON_BONE_MM and near.bone_at(seed[None])[0] < GROWTH * size:
            guess *= GROWTH
            size = guess
            continue
        if outline is None:
            break
        looks += 1
        changed = abs(outline.volume_mm3 - before) > STILL_GROWING * outline.volume_mm3
        before = outline.volume_mm3
        if looks >= OFTEN_ENOUGH and not changed:
            break
        middle, radius = outline.centroid, radius_about(outline, outline.centroid)
        inside_view = reach - radius - float(np.linalg.norm(middle - centre)) > ROOM_MM
        steady = abs(radius - size) < SAME_SIZE * radius and (looks < OFTEN_ENOUGH or not changed)
        if inside_view and steady and (looks > 1 or expected is not None):
            break
        centre, guess = middle, min(radius * (1.0 if inside_view else WIDER), settings.outline.largest_radius_mm)
        size, surface = radius, outline.vertices[::4]
    return outline, near, guess


def _first_surface(seen: SeenScan, seed: Floats, settings: Settings) -> Floats | None:
    """The wall around a seed, (N, 3) LPS mm, where the lesion may be one part with a small or flat bone; ``None``
    elsewhere."""
    skeleton = seen.skeleton
    compact = [part.label for part in skeleton.bones if not part.tubular]
    if not skeleton.many_small and int(skeleton.labels_at(seed)) not in compact:
        return None

    def in_bone(places: Floats) -> NDArray[np.bool_]:
        return np.asarray(skeleton.labels_at(places) > 0)

    wall = seen_wall(seen.volume, seen.reference, seed, settings.outline.mineral_hu120, in_bone)
    if wall is None:
        return None
    if not skeleton.many_small:
        return wall if _within_bone(seen, seed, wall - seed) else None
    return wall if np.isin(skeleton.labels_at(wall), compact).mean() > WALL_AS_BONE else None


def _known_surface(seen: SeenScan, expected: Ellipsoid) -> Floats | None:
    """The surface (N, 3) LPS mm of a lesion known by another scan, where it matured into one part with a flat bone."""
    arms = sphere_directions(KNOWN_DIRECTIONS)[0] @ expected.shape.T
    return expected.centre + arms if _within_bone(seen, expected.centre, arms) else None


def _within_bone(seen: SeenScan, centre: Floats, arms: Floats) -> bool:
    """Whether most of a body, ``arms`` (N, 3) mm from its centre (3,), is labelled as a bone that is no shaft."""
    inside = centre + np.multiply.outer(KNOWN_LEVELS, arms)
    compact = [part.label for part in seen.skeleton.bones if not part.tubular]
    return bool(np.isin(seen.skeleton.labels_at(inside), compact).mean() > KNOWN_AS_BONE)


def _again_by_margin(seen: SeenScan, expected: Ellipsoid, guess: float, settings: Settings) -> Outline | None:
    """The margin of a lesion without mineral that another scan shows there; ``None`` where it does not show."""
    found = _by_soft_margin(seen, expected.centre)
    size = 4.0 / 3.0 * np.pi * float(np.prod(expected.radii))
    like_muscle = found is not None and any(v.code == "like-muscle" for v in found.verdicts)
    # What looks like muscle has to be about as large as it was, or it is muscle between fat planes.
    if found is not None and (not like_muscle or 0.5 * size < found.volume_mm3 < 2.0 * size):
        return found
    near, _ = seen.near(expected.centre, guess + FIRST_REACH_MM, guess)
    return find_mass_margin(near, seen.reference, settings, scan=seen.scan.number, expected=expected)


def _mass_around(seen: SeenScan, mineral: Outline) -> Outline | None:
    """The soft mass around mineral that is no shell; ``None`` where it is like muscle or its margin is unseen."""
    ring = mineral.vertices[::2, None, :] + np.array(BEYOND_MM)[None, :, None] * mineral.normals[::2, None, :]
    if float(np.nanmedian(seen.volume.sample(ring))) < FAT_BELOW_HU:
        return None  # mineral in fat: what is searched would be fat, bounded by muscle
    found = _by_soft_margin(seen, mineral.centroid, ring.reshape(-1, 3))
    if found is None or found.volume_mm3 < LARGER * mineral.volume_mm3:
        return None
    # A rim of dark tissue may pass for a fat plane; what was taken for the lesion's own then lies outside what is
    # found.
    if float((signed_depth(found, ring[:, len(BEYOND_MM) // 2]) < 0.0).mean()) > MOST_BEYOND:
        return None
    codes = {v.code for v in found.verdicts}
    if "like-muscle" in codes or float((signed_depth(found, mineral.vertices) < -2.0).mean()) > LEFT_OUT:
        return None
    kept = (v for v in found.verdicts if v.code != "no-shell")
    return replace(found, verdicts=(caution("mineral-no-shell"), *kept))


def _by_soft_margin(seen: SeenScan, seed: Floats, tissue_at: Floats | None = None) -> Outline | None:
    """The mass around a point by its soft margin, looked for ever farther; ``None`` where it does not show."""
    for reach in MARGIN_REACH_MM:
        near, _ = seen.near(seed, reach, FIRST_GUESS_MM)
        outline = find_soft_margin(near, seed, seen.reference, scan=seen.scan.number, tissue_at=tissue_at)
        if outline is not None and seen.skeleton.many_small:
            # Muscles of hand and foot are short bellies with fat around: what looks like muscle there may be one.
            verdicts = (v.at("withheld") if v.code == "like-muscle" else v for v in outline.verdicts)
            return replace(outline, verdicts=tuple(verdicts))
        if outline is not None:
            return outline
    return None
