"""Limbs with a mineral shell, scanned through their projections instead of drawn in the image: `project`.

The scenes are those of `scene`, and so is their truth; only the picture comes another way.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from .bones import Bone
from .lesion import Lesion
from .limb import CORTEX, LESION, MARROW, MUSCLE, SKIN, VESSEL, Limb
from .limb import FAT as FAT_LABEL
from .physics import HYDROXYAPATITE_MG_CM3, Array
from .placing import beside_bone, drawn_limb
from .projection import FINE, Machine, path_lengths
from .scene import Part, Placed, Scene
from .spectrum import MATERIALS
from .truth import truth

SLICE_MM, PARTS = 1.5, 3
"""Thickness and spacing of slices, and into how many parts each is cut."""


DENSE_BONE = Bone(density=1.0)
"""Cortex as ICRU-44 has it."""


@dataclass(frozen=True)
class Described:
    """One limb: ``place`` is the lesion's direction from the bone (degrees) and its gap to it (mm)."""

    words: str
    limb: Limb
    lesion: Lesion
    place: tuple[float, float]
    bone: Bone = DENSE_BONE
    others: tuple[Bone, ...] = ()
    pixel_mm: float = 0.75
    slices: int = 30
    seed: int = 1

    @property
    def machine(self) -> Machine:
        return Machine(pixel_mm=self.pixel_mm)

    def scene(self, kvp: float) -> Scene:
        rng = np.random.default_rng(self.seed)
        limb = replace(drawn_limb(self.limb, 8, 0.0, rng), waves=np.zeros((0, 4)))
        lesion = replace(self.lesion, centre=beside_bone(self.lesion, self.bone, self.place[0], 0.0, self.place[1]))
        return Scene(limb, tuple(Placed(b, np.eye(4)) for b in (self.bone, *self.others)), (lesion,), kvp)

    @property
    def affine(self) -> Array:
        """(4, 4) from (slice, row, column, 1) to LPS mm, which are the scene's own mm; the axis is the limb's."""
        n, p = self.machine.pixels // 2, self.pixel_mm
        x, y = self.limb.centre
        middle = (self.slices - 1) / 2 * SLICE_MM
        return np.array([[0, 0, p, x - n * p], [0, p, 0, y - n * p], [SLICE_MM, 0, 0, -middle], [0, 0, 0, 1]])

    def truth(self, kvp: float) -> dict[str, float]:
        return truth(self.scene(kvp), np.eye(4), 0.6)


THIGH = Limb(centre=(6.0, 4.0), radius=60.0)
SHELL = Lesion(radii=(14.0, 12.0, 15.0), shell_mm=2.0, mineral_mg=400.0, shape_seed=3)

SCENES: Mapping[str, Described] = {
    "shell": Described("2 mm shell of 400 mg/cm3, 6 mm from the bone", THIGH, SHELL, (10.0, 6.0)),
    "thin": Described(
        "1 mm shell of 450 mg/cm3", THIGH, replace(SHELL, shell_mm=1.0, mineral_mg=450.0, fuzz_mm=0.3), (10.0, 6.0)
    ),
    "dense": Described(
        "5 mm shell of 900 mg/cm3", THIGH, replace(SHELL, shell_mm=5.0, mineral_mg=900.0), (10.0, 6.0)
    ),
    "by-cortex": Described(
        "2 mm shell of 400 mg/cm3, 2.5 mm from a cortex of 9 mm", THIGH, SHELL, (10.0, 2.5),
        replace(DENSE_BONE, radius=15.0, cortex=9.0),
    ),
    "two-bones": Described(
        "1.7 mm shell of 500 mg/cm3 in a forearm",
        Limb(centre=(10.0, 2.0), radius=42.0, oval=0.12, oval_deg=5.0, fat=5.0),
        Lesion(radii=(9.0, 8.0, 12.0), shell_mm=1.7, mineral_mg=500.0, shape_seed=5),
        (225.0, 3.0),
        Bone(radius=7.5, oval=0.1, cortex=3.2, bow=(-5.0, 1.5), ridge=2.6, ridge_deg=0.0, bump=0.0, density=1.0),
        (Bone(centre=(24.0, 3.0), radius=7.0, oval=0.08, cortex=3.0, bow=(3.0, 2.0), ridge=2.4, ridge_deg=180.0,
              bump=0.0, density=1.0),),
        pixel_mm=0.55,
        slices=40,
    ),
    "stout": Described(
        "2 mm shell of 400 mg/cm3 in a thigh of 19 cm", replace(THIGH, radius=95.0, fat=18.0), SHELL, (10.0, 6.0),
        pixel_mm=1.15,
    ),
}  # fmt: skip


@dataclass(frozen=True, eq=False)
class Projected:
    """Path lengths of one scene, which no beam changes. ``lengths`` as `projection.measured` takes them.

    ``mineral_mg`` is the lesion's hydroxyapatite as it lies on the fine squares; ``muscle`` (slice, row, column)
    marks pixels that are muscle alone.
    """

    described: Described
    lengths: Array = field(repr=False)
    mineral_mg: float
    muscle: Array = field(repr=False)


def shares(scene: Scene, part: Part) -> Array:
    """(4, N) volume shares of `MATERIALS` that have the HU which the scene gives."""
    out = np.zeros((len(MATERIALS), len(part.label)), np.float32)
    muscle, fat, cortex, mineral = out
    soft = (part.label == MUSCLE) | (part.label == SKIN) | (part.label == VESSEL)
    muscle[soft] = (1000 + part.hu[soft]) / (1000 + scene.muscle_hu)
    fat[part.label == FAT_LABEL] = 1
    cortex[part.label == CORTEX] = 1
    marrow, lesion = part.label == MARROW, part.label == LESION
    # trabecular mineral is known by its HU alone
    own = scene.slope - scene.fat_hu / HYDROXYAPATITE_MG_CM3
    mineral[marrow] = np.maximum(part.hu[marrow] - scene.fat_hu, 0) / own / HYDROXYAPATITE_MG_CM3
    fat[marrow] = 1 - mineral[marrow]
    mineral[lesion] = part.mineral[lesion] / HYDROXYAPATITE_MG_CM3
    rest = 1 - mineral[lesion]
    background = (part.hu[lesion] - scene.slope * part.mineral[lesion]) / rest
    muscle[lesion] = rest * (1000 + background) / (1000 + scene.muscle_hu)
    return out


def project(described: Described) -> Projected:
    """Sample a scene on fine squares and find the path lengths of every ray."""
    machine, scene = described.machine, described.scene(120.0)
    at = machine.fine_mm()
    size, parts = len(at), described.slices * PARTS
    y, x = (v.ravel() for v in np.meshgrid(at + described.limb.centre[1], at + described.limb.centre[0], indexing="ij"))
    height = (np.arange(parts) - (parts - 1) / 2) * (SLICE_MM / PARTS)
    ends = (np.stack([x, y, np.full(len(x), z)], axis=1).astype(np.float32) for z in height[[0, -1]])
    limb = np.flatnonzero(np.any([scene.limb.depth(points)[0] > 0 for points in ends], axis=0))
    found: list[Array] = []
    mineral = 0.0
    alone: Array = np.zeros((parts, size * size), bool)
    for i, z in enumerate(height):
        points = np.stack([x[limb], y[limb], np.full(len(limb), z)], axis=1).astype(np.float32)
        part = scene.evaluate(points)
        found.append(shares(scene, part))
        mineral += float(part.mineral.sum(dtype=np.float64))
        alone[i, limb[part.label == MUSCLE]] = True
    maps = np.stack(found, axis=-1)
    square = (machine.pixel_mm / FINE) ** 2 * (SLICE_MM / PARTS)
    lengths = np.zeros((machine.views, size, len(MATERIALS), parts), np.float32)
    for m in range(len(MATERIALS)):
        there = np.flatnonzero(maps[m].any(axis=1))
        lengths[:, :, m] = path_lengths(machine, limb[there], maps[m, there])
    return Projected(
        described,
        lengths.reshape(*lengths.shape[:3], described.slices, PARTS),
        mineral * square / 1000,
        np.asarray(
            alone.reshape(described.slices, PARTS, machine.pixels, FINE, machine.pixels, FINE).all(axis=(1, 3, 5))
        ),
    )
