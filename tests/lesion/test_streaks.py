"""Metal counts by what its streaks do where the lesion lies.

Streaks are those of rays that are measured as less dense than they are, by projection and filtered back projection with
scikit-image (`phantoms.render.streaks`); the program knows nothing of how they were made.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from analytic_shell import SOFT_HU, reference
from scipy import ndimage

from mineralize.base import Grid, Volume
from mineralize.lesion.metal import SEEN_HU, SPOILT_HU, streaks_hu, too_bright
from mineralize.surface import sphere_directions
from phantoms.render import streaks

SIDE, SLICES, SPACING = 150, 16, (3.0, 1.0, 1.0)
LESION = (38.0, 6.0, 0.0)
"""x, y, z of the middle of a lesion of 9 mm radius, in slices 5 to 10."""


def limb(rods: tuple[tuple[float, float, float], ...], slices: range, *, noise: float = 10.0) -> Volume:
    """A limb of 65 mm radius, fat on muscle and a bone, with rods (x, y, radius) of 8000 HU in some slices."""
    x, y = np.meshgrid(np.arange(SIDE) - 74.5, np.arange(SIDE) - 74.5)
    far = np.hypot(x, y)
    plane = np.select([far < 8.0, far < 12.0, far < 56.0, far < 65.0], [-80.0, 1500.0, SOFT_HU, -90.0], -1000.0)
    metal = plane.copy()
    for cx, cy, radius in rods:
        metal[np.hypot(x - cx, y - cy) < radius] = 8000.0
    smooth = [ndimage.gaussian_filter(p, 0.5).astype(np.float32) for p in (plane, metal)]
    spoilt = smooth[1] + streaks(smooth[1][None], 1.0)[0]
    hu = np.stack([spoilt if k in slices else smooth[0] for k in range(SLICES)])
    hu = hu + np.random.default_rng(5).normal(scale=noise, size=hu.shape)
    origin = (-74.5, -74.5, -0.5 * (SLICES - 1) * SPACING[0])
    return Volume(hu.astype(np.float32), Grid.from_parts(hu.shape, SPACING, origin))


def outline() -> Any:
    directions, _ = sphere_directions(600)
    return directions * 9.0 + np.array(LESION)


def judged(volume: Volume) -> Any:
    return too_bright(volume, reference(volume, noise=10.0), outline())


NAIL = ((0.0, 0.0, 4.5), (-13.0, -3.0, 3.0))
"""A nail in the bone and a screw beside it, in line with the lesion."""
CLIP = ((-30.0, -30.0, 1.2),)


def test_metal_in_other_slices_spoils_nothing() -> None:
    """However near in a straight line: 9 mm below the lowest slice of the lesion, and in line with it."""
    assert judged(limb(NAIL, range(2))) is None


def test_a_nail_in_the_lesions_slices_spoils_it() -> None:
    found = judged(limb(NAIL, range(SLICES)))
    assert found is not None
    assert found.trust != "ok"


def test_a_clip_far_off_in_the_same_slices_withholds_nothing() -> None:
    """1.2 mm of radius, 77 mm away across the limb: 3 HU in the lesion, more under the skin beside it."""
    found = judged(limb(CLIP, range(4, 8)))
    assert found is None or found.trust == "caution"


@pytest.mark.parametrize(("amplitude", "trust"), [(2.0, "ok"), (12.0, "caution"), (45.0, "withheld")])
def test_streaks_are_read_as_what_they_are(amplitude: float, trust: str) -> None:
    """Waves of known root mean square (HU) across the lesion's slices, in the direction that the metal lies in."""
    volume = limb(((-40.0, 0.0, 2.0),), range(0))
    hu = np.array(volume.hu)
    x, y = np.meshgrid(np.arange(SIDE) - 74.5, np.arange(SIDE) - 74.5)
    hu[4:12] += amplitude * np.sqrt(2.0) * np.sin(np.arctan2(y, x + 40.0) * 30.0)
    free = np.array([0, 1, 2, 13, 14, 15])
    found = streaks_hu(Volume(hu, volume.grid), reference(volume, noise=10.0), outline(), np.arange(4, 12), free)
    assert trust == ("ok" if found < SEEN_HU else "caution" if found < SPOILT_HU else "withheld")
    assert found < 1.3 * amplitude + 2.0
