"""A limb with bones and lesions on one day at one tube voltage, as a function of body coordinates."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .bones import Bone
from .lesion import Lesion
from .limb import CORTEX, LESION, MARROW, MUSCLE, VESSEL, Limb
from .loops import squared_distance
from .physics import Array, mixed, slope, tissue_hu

FLUID_HU = 8.0
SKIN_HU = 45.0


@dataclass(frozen=True)
class Placed:
    """A bone and the rigid matrix (4, 4) from the body frame to the bone's own frame."""

    bone: Bone
    from_body: Array

    def own(self, points: Array) -> Array:
        m = self.from_body.astype(points.dtype)
        return np.asarray(points @ m[:3, :3].T + m[:3, 3])


@dataclass(frozen=True)
class Part:
    """What is at a set of points: label (see `limb`), HU and hydroxyapatite mg/cm3 of lesions only."""

    label: Array
    hu: Array
    mineral: Array


@dataclass(frozen=True)
class Scene:
    """``bones[0]`` is the host bone; ``lesions[0]`` the one that is measured.

    ``metal`` holds rods: (point, axis, radius, half length).
    """

    limb: Limb
    bones: tuple[Placed, ...]
    lesions: tuple[Lesion, ...]
    kvp: float
    vessel_hu: float | None = None
    through_bone: bool = False
    metal: tuple[tuple[Array, Array, float, float], ...] = ()

    @property
    def muscle_hu(self) -> float:
        return tissue_hu("muscle", self.kvp) + self.limb.muscle_offset

    @property
    def fat_hu(self) -> float:
        return tissue_hu("fat", self.kvp) + self.limb.fat_offset

    @property
    def slope(self) -> float:
        return slope(self.kvp)

    def in_bone(self, points: Array) -> Array:
        inside = np.zeros(len(points), bool)
        for placed in self.bones:
            own = placed.own(points)
            near = np.flatnonzero(placed.bone.near(own))
            inside[near] |= placed.bone.contains(own[near])
        return inside

    def in_lesion(self, points: Array) -> Array:
        """Whether (N, 3) points belong to the measured lesion: inside its outline and not skeleton."""
        inside = self.lesions[0].contains(points)
        if not self.through_bone:
            index = np.flatnonzero(inside)
            inside[index[self.in_bone(points[index])]] = False
        return np.asarray(inside)

    def evaluate(self, points: Array) -> Part:
        """Tissue, HU and lesion mineral at (N, 3) body points."""
        label = self.limb.labels(points)
        vessel = self.vessel_hu if self.vessel_hu is not None else tissue_hu("blood", self.kvp) - 6
        plain = np.array([-1000.0, SKIN_HU, self.fat_hu, self.muscle_hu, vessel, 0, 0, 0], points.dtype)
        hu = plain[label]
        muscle = np.flatnonzero(label == MUSCLE)
        hu[muscle] += self.limb.muscle_texture(points[muscle])
        mineral = np.zeros(len(points), points.dtype)
        bone = self._bones(points, label, hu)
        for lesion in self.lesions:
            self._lesion(lesion, points, label, hu, mineral, bone)
        for centre, axis, radius, half in self.metal:
            offset = points - centre.astype(points.dtype)
            along = offset @ axis.astype(points.dtype)
            across = np.sqrt(np.maximum((offset * offset).sum(axis=1) - along**2, 0))
            hu[(np.abs(along) < half) & (across < radius)] = 8000.0
        return Part(label, hu, mineral)

    def hu(self, points: Array) -> Array:
        return self.evaluate(points).hu

    def evaluate_within(self, points: Array) -> Part:
        """As `evaluate`, for (N, 3) points in or near the measured lesion; muscle is plain around it."""
        label = np.full(len(points), MUSCLE, np.uint8)
        hu = np.full(len(points), self.muscle_hu, points.dtype)
        mineral = np.zeros(len(points), points.dtype)
        bone = self._bones(points, label, hu)
        self._lesion(self.lesions[0], points, label, hu, mineral, bone)
        return Part(label, hu, mineral)

    def _bones(self, points: Array, label: Array, hu: Array) -> Array:
        inside = np.zeros(len(points), bool)
        for placed in self.bones:
            own = placed.own(points)
            near = np.flatnonzero(placed.bone.near(own))
            outer, inner, flared = placed.bone.evaluate(own[near])
            cortex = near[(outer > 0) & (inner <= 0)]
            label[cortex] = CORTEX
            hu[cortex] = tissue_hu("cortex", self.kvp) * placed.bone.density
            in_marrow = inner > 0
            marrow = near[in_marrow]
            label[marrow] = MARROW
            # trabecular mineral grows towards the flare, in yellow marrow
            concentration = placed.bone.marrow_mg * flared[in_marrow]
            hu[marrow] = mixed(np.asarray(self.fat_hu), concentration, self.slope)
            inside[near] |= outer > 0
        return inside

    def _lesion(self, lesion: Lesion, points: Array, label: Array, hu: Array, mineral: Array, bone: Array) -> None:
        margin = 3.5 * lesion.oedema_mm if lesion.oedema_hu else 1.0
        open_to = (label > 0) if self.through_bone else (label > 0) & ~bone
        near = np.flatnonzero(
            (squared_distance(points, np.asarray(lesion.centre)) < (lesion.reach + margin) ** 2) & open_to
        )
        if not len(near):
            return
        close = points[near]
        within, concentration, fat, fluid = lesion.inside(close)
        if lesion.oedema_hu:
            outside = near[~within]
            muscle = label[outside] == MUSCLE
            distance = np.maximum(lesion.outside_mm(close[~within][muscle]), 0)
            hu[outside[muscle]] -= lesion.oedema_hu * np.exp(-distance / lesion.oedema_mm)
        chosen = near[within]
        soft = self.muscle_hu + lesion.soft_hu
        f, w = fat[within], fluid[within]
        background = soft * (1 - f - w) + f * self.fat_hu + w * FLUID_HU
        hu[chosen] = mixed(background, concentration[within], self.slope)
        mineral[chosen] = concentration[within]
        label[chosen] = LESION
        if lesion.track is not None:
            axis = np.asarray(lesion.track, points.dtype) / np.float32(np.linalg.norm(lesion.track))
            offset = close - np.asarray(lesion.centre, points.dtype)
            hu[near[lesion.in_track(offset, axis)]] = -950.0


__all__ = ["FLUID_HU", "LESION", "MUSCLE", "SKIN_HU", "VESSEL", "Part", "Placed", "Scene"]
