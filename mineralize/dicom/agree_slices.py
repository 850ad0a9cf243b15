"""Where slices lie, how they follow one another and how the patient lies: what one element says against another.

Every function takes a :class:`.laid.Laid` and gives a :class:`.laid.Doubt`, or ``None`` where nothing disagrees.
"""

from __future__ import annotations

import numpy as np

from ..base import Floats
from .laid import SAME_SHARE, Doubt, Laid
from .times import day_of

ROUNDED_MM = 0.1
"""Slice Location is written with one decimal by some scanners (seen in real files)."""
ODD_MM = 1.5 * ROUNDED_MM
"""Off the others by more than so much a location is another slice's: rounding alone explains two thirds of it."""
ROUNDED_STEP_MM = 0.001
LEAST_STEP_SHARE = 0.24
"""Slices overlap by three quarters at most (common practice, no source)."""
FAR_MM = 0.5
"""Displacement of a voxel that may not pass in silence."""
AXIAL, ALONG = 0.8, 0.7
"""Cosine to the axis of the body from which slices are axial, so that a label of the patient's position can be held
against them, and from which a row or a column runs along an axis (45 degrees; own judgement)."""
LEAST_ASIDE_MM = 0.03
"""Slices shifted sideways by less are written with too few digits (own judgement)."""
MOST_DAYS_APART = 1


def order_of_slices(laid: Laid) -> Doubt | None:
    """Position against Slice Location and against the number of the slice."""
    places, numbers = _odd_locations(laid), _out_of_turn(laid)
    if places and numbers:
        return Doubt(
            "expected the order of the slices by position to be that of Slice Location and of Instance Number, found "
            f"{max(places, numbers)} of {len(laid.images)} slices elsewhere by both",
            "refused",
        )
    located = _locations(laid)
    if located is not None and np.ptp(located) > 0 and _mirrored(located, laid.positions[:, 2]):
        return Doubt("Slice Location and position have opposite signs; the scan may be mirrored")
    if places:
        return Doubt(f"Slice Location and position disagree in {places} of {len(laid.images)} slices")
    if numbers:
        return Doubt("its slices are not numbered in the order of their positions; the positions are used")
    return None


def _locations(laid: Laid) -> Floats | None:
    found = [image.location for image in laid.images]
    return None if any(v is None for v in found) else np.array(found, float)


def _odd_locations(laid: Laid) -> int:
    """Slices whose location differs from their position by more than the others' (whatever its zero and sign)."""
    located = _locations(laid)
    if located is None or np.ptp(located) == 0:
        return 0
    fewest = len(located)
    for along in {laid.spacing, laid.steps[1]}:
        rise = np.arange(len(located)) * along if laid.tilted else (laid.heights - laid.heights[0])
        for sign in (1.0, -1.0):
            rest = located - sign * rise
            fewest = min(fewest, int((np.abs(rest - np.median(rest)) > ODD_MM).sum()))
    # Where most of them are off it is the scale that differs: the next check says so.
    return fewest if 2 * fewest <= len(located) else 0


def _mirrored(located: Floats, z: Floats) -> bool:
    """The same numbers with the other sign; where locations merely run the other way their zero is another too."""
    return bool(np.abs(located + z).max() < ROUNDED_MM and np.abs(located - z).max() > ROUNDED_MM)


def _out_of_turn(laid: Laid) -> int:
    numbers = [image.turn for image in laid.images]
    if any(n is None for n in numbers) or len(set(numbers)) == 1:
        return 0
    steps = np.diff(np.array(numbers, float))
    return int(min((steps <= 0).sum(), (steps >= 0).sum()))


def distance_of_slices(laid: Laid) -> Doubt | None:
    """Distance of positions against Spacing Between Slices, Slice Location and, to confirm it, Slice Thickness."""
    count = len(laid.images) - 1
    stated = laid.first.making.stated_spacing_mm
    located = _locations(laid)
    found: dict[str, tuple[float, float]] = {}
    if stated:
        found["Spacing Between Slices"] = (abs(stated), ROUNDED_STEP_MM)
    if located is not None and np.ptp(located) > 0:
        found["Slice Location"] = (float(np.ptp(located)) / count, 1.2 * ROUNDED_MM / count)
    against = [name for name, (mm, rounding) in found.items() if not _is_step(laid, mm, rounding)]
    thickness = laid.first.making.slice_thickness_mm
    as_thick = thickness is not None and _is_step(laid, thickness, ROUNDED_STEP_MM)
    if not against:
        if found and not any(_is(laid.steps[1], mm, rounding) for mm, rounding in found.values()):
            return Doubt(_ACROSS.format(table=laid.steps[1], across=laid.spacing))
        if found or as_thick:
            return None
        return Doubt("nothing in its headers bears out the distance of its slices", code="unconfirmed")
    named = " and ".join(against)
    text = (
        f"its slices lie {laid.spacing:.2f} mm apart by their positions, but {found[against[0]][0]:.2f} mm by {named}"
    )
    if len(against) == 2 and not as_thick:
        return Doubt(text, "refused")
    if against == ["Spacing Between Slices"] and "Slice Location" in found:
        (wrong, _), (mm, rounding) = found["Spacing Between Slices"], found["Slice Location"]
        if (
            abs(mm - wrong) > SAME_SHARE * wrong + rounding
        ):  # locations are fine enough to tell which of the two is wrong
            return Doubt(f"{text}; the positions are used", "info")
    return Doubt(text)


_ACROSS = (
    "its slices lie {table:.2f} mm apart along the table and {across:.2f} mm across the slices; its headers bear out "
    "the second only, where scanners that tilt state the first"
)
"""Spacing Between Slices (0018,0088) is defined along the normal (from memory), yet all four tilted series at hand, of
two makers, state the step of the table there and in Slice Location. Positions off by just that share would hide."""


def _is_step(laid: Laid, mm: float, rounding: float) -> bool:
    return any(_is(step, mm, rounding) for step in laid.steps)


def _is(step: float, mm: float, rounding: float) -> bool:
    return abs(mm - step) <= SAME_SHARE * step + rounding


def overlap_of_slices(laid: Laid) -> Doubt | None:
    """Distance of positions against Slice Thickness: slices overlap, but not by more than three quarters."""
    thickness = laid.first.making.slice_thickness_mm
    if thickness is None or laid.spacing >= LEAST_STEP_SHARE * thickness:
        return None
    return Doubt(f"slices of {thickness:g} mm lie {laid.spacing:.2f} mm apart, closer than scanners make them")


def thickness_of_slices(laid: Laid) -> Doubt | None:
    """Slice Thickness of each slice against that of its neighbours."""
    found = {image.making.slice_thickness_mm for image in laid.images}
    if len(found) == 1 and (only := next(iter(found))) is not None and only <= 0:
        return Doubt("states a slice thickness of nothing")
    return Doubt("its slices state different thicknesses") if len(found) > 1 else None


_UPRIGHT = {
    "HFS": ((1, 1),), "FFS": ((1, 1), (-1, 1)), "HFP": ((-1, -1),), "FFP": ((-1, -1), (1, -1)),
}  # fmt: skip
"""Signs of row x and column y of axial images per Patient Position (C.7.3.1.1.2); some scanners show feet first
mirrored."""
_ON_THE_SIDE = {"HFDL", "HFDR", "FFDL", "FFDR"}


def side_of_patient(laid: Laid) -> Doubt | None:
    """Image Orientation against Patient Position; the label is annotation and is never used."""
    x, y = float(laid.across[0]), float(laid.down[1])
    label = laid.first.making.patient_position
    if abs(laid.normal[2]) < AXIAL:
        return None
    if label in _UPRIGHT and any(x * a > ALONG and y * b > ALONG for a, b in _UPRIGHT[label]):
        return None
    if label not in _UPRIGHT and (label not in _ON_THE_SIDE or abs(x) < ALONG):
        return None
    return Doubt("the patient position label and the image orientation disagree; the orientation is used")


def lean_of_stack(laid: Laid) -> Doubt | None:
    """Image Orientation against the direction in which positions go on, and against the tilt that is stated."""
    step = laid.positions[-1] - laid.positions[0]
    length = float(np.linalg.norm(step))
    aside = float(np.linalg.norm(step - laid.normal * (step @ laid.normal)))
    found = float(np.degrees(np.arcsin(min(aside / length, 1.0))))
    stated = laid.first.making.tilt_deg
    if stated is not None and abs(abs(stated) - found) > 0.5:
        return Doubt(
            f"states a gantry tilt of {abs(stated):g} degrees, but its positions have {found:.1f}, which are used"
        )
    if stated is not None and laid.tilted and _leans_the_other_way(laid, stated):
        return Doubt(
            f"states a gantry tilt of {stated:+.1f} degrees, but its slices lean the other way; the orientation is used"
        )
    assert laid.first.spacing is not None
    coding, (row_mm, column_mm) = laid.first.coding, laid.first.spacing
    reach = float(np.hypot(coding.rows * row_mm, coding.columns * column_mm))
    if not laid.tilted and aside / length * reach > FAR_MM and aside > LEAST_ASIDE_MM:
        return Doubt(f"its slices lie {found:.2f} degrees askew of the direction in which they follow each other")
    return None


def _leans_the_other_way(laid: Laid, stated: float) -> bool:
    """Sign of Gantry/Detector Tilt (0018,1120): negative where the top of the gantry leans away from where the table
    comes in (PS3.3 C.8.2.1, from memory; so do the two tilted series of one maker at hand)."""
    label = laid.first.making.patient_position
    if label not in _UPRIGHT or abs(laid.normal[2]) < AXIAL:
        return False
    up, far = (-1.0 if label.endswith("S") else 1.0), (1.0 if label.startswith("HF") else -1.0)
    away = -up * far * float(laid.normal[1] / laid.normal[2])
    return away * stated > 0


def days_of_slices(laid: Laid) -> Doubt | None:
    """The date of acquisition against the study's."""
    for image in laid.images:
        made, study = day_of(image.when.date), day_of(image.when.study_date)
        if made is not None and study is not None and abs((made - study).days) > MOST_DAYS_APART:
            return Doubt(
                f"its date of acquisition lies {abs((made - study).days)} days from the date of its study; the date of "
                "acquisition is used"
            )
    return None
