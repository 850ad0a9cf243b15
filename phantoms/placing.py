"""What the seed draws: soft tissue of a patient, its displacement in a scan, a lesion's place at the bone."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
from scipy.spatial import cKDTree

from .bones import Bone
from .lesion import Lesion
from .limb import Limb


def drawn_limb(limb: Limb, bellies: int, tissue_hu: float, rng: np.random.Generator) -> Limb:
    """A patient's muscle bellies, muscle texture and tissue attenuation (offsets up to ``tissue_hu``)."""
    offsets = rng.uniform(-tissue_hu, tissue_hu, 2)
    waves = np.concatenate([rng.normal(0, 0.16, (6, 3)), rng.uniform(0, 2 * np.pi, (6, 1))], axis=1)
    angle = np.arange(bellies) * (2 * np.pi / bellies) + rng.uniform(-0.2, 0.2, bellies)
    out = limb.radius * rng.uniform(0.42, 0.66, bellies)
    x, y = limb.centre[0] + out * np.cos(angle), limb.centre[1] + out * np.sin(angle)
    slopes = rng.uniform(-0.07, 0.07, bellies), rng.uniform(-0.07, 0.07, bellies)
    return replace(
        limb,
        bellies=np.stack([x, y, *slopes], axis=1),
        waves=waves,
        muscle_offset=limb.muscle_offset + float(offsets[0]),
        fat_offset=limb.fat_offset + float(offsets[1]),
    )


def displaced(limb: Limb, loose_mm: float, rng: np.random.Generator) -> Limb:
    """Soft tissue as it lies in one scan: bellies and outer shape moved by about ``loose_mm``."""
    bellies = limb.bellies.copy()
    bellies[:, :2] += rng.normal(0, loose_mm, (len(bellies), 2))
    oval, lobe = limb.oval + rng.normal(0, 0.01 * loose_mm), limb.lobe + rng.normal(0, 0.006 * loose_mm)
    return replace(limb, bellies=bellies, oval=oval, lobe=lobe)


@lru_cache(maxsize=64)  # the same in every scan of a history
def beside_bone(lesion: Lesion, bone: Bone, deg: float, z: float, gap: float) -> tuple[float, float, float]:
    """Centre in direction ``deg`` of the bone such that the least distance of the surfaces is ``gap``.

    A negative gap is how deep the outline reaches into the bone.
    """
    reach = max(lesion.radii) * 1.2 + 5
    tree_points, normals, _ = bone.surface((z - reach, z + reach), 1.0)
    tree = cKDTree(tree_points)
    shape, _, _ = replace(lesion, centre=(0.0, 0.0, 0.0)).surface(3000)
    line_x, line_y = bone.line(np.array(z))
    low, high = 0.0, 250.0
    for _ in range(40):
        middle = (low + high) / 2
        centre = np.array(
            [line_x + middle * np.cos(np.radians(deg)), line_y + middle * np.sin(np.radians(deg)), z], float
        )
        distance, index = tree.query(shape + centre)
        outside = ((shape + centre - tree_points[index]) * normals[index]).sum(axis=1)
        least = float(np.where(outside < 0, -distance, distance).min())
        low, high = (middle, high) if least < gap else (low, middle)
    return (float(centre[0]), float(centre[1]), float(centre[2]))
