"""Soft tissue of a limb: skin, subcutaneous fat, muscle bellies with fat planes, vessels (body frame, mm)."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from .loops import limb_labels
from .physics import Array

AIR, SKIN, FAT, MUSCLE, VESSEL, CORTEX, MARROW, LESION = range(8)


@dataclass(frozen=True)
class Vessel:
    """A straight vessel: where it crosses z = 0, its slope, its radius (mm)."""

    at: tuple[float, float]
    slope: tuple[float, float] = (0.0, 0.0)
    radius: float = 3.5


@dataclass(frozen=True)
class Limb:
    """The outer shape and what fills it.

    ``centre`` is the limb's axis (the bone lies off it); ``radius`` the mean outer radius; ``taper`` its
    relative change per 100 mm upward; ``fat`` the mean thickness of subcutaneous fat.
    """

    centre: tuple[float, float] = (8.0, 6.0)
    radius: float = 62.0
    oval: float = 0.07
    oval_deg: float = 10.0
    lobe: float = 0.025
    taper: float = 0.08
    skin: float = 1.6
    fat: float = 9.0
    fat_uneven: float = 0.35
    fat_deg: float = 80.0
    plane: float = 1.6
    bellies: Array = field(default_factory=lambda: np.zeros((0, 4)))
    """(n, 4): x, y at z = 0 and their slopes."""
    vessels: tuple[Vessel, ...] = ()
    muscle_offset: float = 0.0
    fat_offset: float = 0.0
    texture: float = 2.5
    waves: Array = field(default_factory=lambda: np.zeros((0, 4)))
    """(n, 4): wave vector (rad/mm) and phase of the muscle texture."""

    def boundary(self, cosine: Array, sine: Array, z: Array) -> Array:
        """Outer radius about the limb's axis."""
        e = np.radians(2 * self.oval_deg)
        double_cos, double_sin = 2 * cosine * cosine - 1, 2 * sine * cosine
        triple = cosine * (4 * cosine * cosine - 3)
        shape = 1 + self.oval * (double_cos * np.cos(e) + double_sin * np.sin(e)) + self.lobe * triple
        return np.asarray(self.radius * shape * (1 + self.taper * z / 100))

    def depth(self, points: Array) -> tuple[Array, Array, Array]:
        """Radial depth below the skin surface, and cosine and sine about the limb's axis."""
        dx, dy = points[:, 0] - self.centre[0], points[:, 1] - self.centre[1]
        rho = np.sqrt(dx * dx + dy * dy) + 1e-6
        cosine, sine = dx / rho, dy / rho
        return self.boundary(cosine, sine, points[:, 2]) - rho, cosine, sine

    def fat_thickness(self, cosine: Array, sine: Array) -> Array:
        f = np.radians(self.fat_deg)
        return np.asarray(self.fat * (1 + self.fat_uneven * (cosine * np.cos(f) + sine * np.sin(f))))

    def labels(self, points: Array) -> Array:
        """uint8 tissue label of (N, 3) points."""
        e, f = np.radians(2 * self.oval_deg), np.radians(self.fat_deg)
        c = self.bellies[:, :2].astype(points.dtype)
        return limb_labels(
            points,
            loose=np.array([*self.centre, 1e-6, self.lobe, self.taper, self.plane / 2]),
            firm=np.array([np.cos(e), np.sin(e), self.oval, self.radius, np.cos(f), np.sin(f),
                           self.fat_uneven, self.fat, self.skin]),
            lines=self.bellies,
            apart=np.linalg.norm(c[:, None] - c[None], axis=-1) + 1e-3,
            vessels=np.array(
                [(*v.at, *v.slope, (v.radius + 1.5) ** 2, v.radius**2) for v in self.vessels]
            ).reshape(-1, 6),
        )  # fmt: skip

    def muscle_texture(self, points: Array) -> Array:
        value = np.zeros(len(points), points.dtype)
        for kx, ky, kz, phase in self.waves.astype(points.dtype):
            value += np.sin(points[:, 0] * kx + points[:, 1] * ky + points[:, 2] * kz + phase)
        return np.asarray(value * (self.texture / max(np.sqrt(len(self.waves) / 2), 1)))
