"""Long bones as analytic solids in the body frame (x left, y posterior, z superior; mm)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .loops import near_line
from .physics import Array


@dataclass(frozen=True)
class Bone:
    """A tube of cortex with a bow, a flare at the lower end, a ridge and a bump.

    Angles in degrees (0 = left, 90 = posterior), lengths in mm. ``marrow_mg`` is trabecular mineral in the
    flare, mg/cm3. With every irregularity 0 it is a plain cylinder, which nothing can pin about its axis.
    """

    centre: tuple[float, float] = (0.0, 0.0)
    slant: tuple[float, float] = (0.0, 0.0)
    radius: float = 14.0
    oval: float = 0.06
    oval_deg: float = 20.0
    cortex: float = 6.0
    bow: tuple[float, float] = (0.0, -6.0)
    bow_length: float = 120.0
    bow_twist: float = 1.0
    flare: float = 0.8
    flare_z: float = -78.0
    flare_length: float = 14.0
    flare_shift: float = 4.0
    flare_deg: float = -60.0
    ridge: float = 3.5
    ridge_deg: float = 95.0
    ridge_sharpness: float = 14.0
    bump: float = 4.0
    bump_deg: float = 170.0
    bump_z: float = 40.0
    bump_length: float = 14.0
    marrow_mg: float = 170.0
    density: float = 0.95
    """Cortical HU as a share of the table value."""

    @property
    def reach(self) -> float:
        """No bone point lies farther than this from the centre line."""
        flare = self.radius * (1 + abs(self.oval)) * (1 + max(self.flare, 0.0)) + abs(self.flare_shift)
        return flare + abs(self.ridge) + abs(self.bump) + 1.0

    def line(self, z: Array) -> tuple[Array, Array]:
        """x and y of the centre line at ``z``."""
        t = z / self.bow_length
        x = self.centre[0] + self.slant[0] * z + self.bow[0] * t * t + self.bow_twist * t * t * t
        y = self.centre[1] + self.slant[1] * z + self.bow[1] * t * t
        return x, y

    def flared(self, z: Array) -> Array:
        return 1 / (1 + np.exp(np.clip((z - self.flare_z) / self.flare_length, -40, 40)))

    def radii(self, cosine: Array, sine: Array, z: Array) -> tuple[Array, Array, Array]:
        """Outer radius, inner (marrow) radius and flare share in direction (cosine, sine) at ``z``."""
        e, f = np.radians(2 * self.oval_deg), np.radians(self.flare_deg)
        r, b = np.radians(self.ridge_deg), np.radians(self.bump_deg)
        flared = self.flared(z)
        double_cos, double_sin = 2 * cosine * cosine - 1, 2 * sine * cosine
        base = self.radius * (1 + self.oval * (double_cos * np.cos(e) + double_sin * np.sin(e)))
        base = base * (1 + self.flare * flared)
        base = base + self.flare_shift * flared * (cosine * np.cos(f) + sine * np.sin(f))
        extra = np.zeros_like(base)
        if self.ridge:
            towards = cosine * np.cos(r) + sine * np.sin(r)
            extra = extra + self.ridge * (1 - 0.8 * flared) * np.exp(self.ridge_sharpness * (towards - 1))
        if self.bump:
            towards = cosine * np.cos(b) + sine * np.sin(b)
            along = np.exp(-(((z - self.bump_z) / self.bump_length) ** 2))
            extra = extra + self.bump * along * np.exp(6.0 * (towards - 1))
        inner = np.maximum(base - self.cortex * (1 - 0.65 * flared), 0.0)
        return base + extra, inner, flared

    def near(self, points: Array) -> Array:
        """Which of (N, 3) points could be in the bone."""
        line = np.array([*self.centre, *self.slant, *self.bow, self.bow_twist, self.bow_length])
        return near_line(points, line, self.reach)

    def evaluate(self, points: Array) -> tuple[Array, Array, Array]:
        """Radial distance below the outer surface (positive in bone), the same for the marrow, flare share."""
        x, y = self.line(points[:, 2])
        dx, dy = points[:, 0] - x, points[:, 1] - y
        rho = np.sqrt(dx * dx + dy * dy) + 1e-6
        outer, inner, flared = self.radii(dx / rho, dy / rho, points[:, 2])
        return outer - rho, inner - rho, flared

    def contains(self, points: Array) -> Array:
        return self.evaluate(points)[0] > 0

    def surface(self, z_range: tuple[float, float], step: float) -> tuple[Array, Array, Array]:
        """Outer surface sampled about every ``step`` mm: (N, 3) points, outward unit normals, (N,) mm2 each."""
        z = np.arange(z_range[0], z_range[1] + step, step)
        n = int(np.ceil(2 * np.pi * self.radius * 1.3 / step))
        angle = (np.arange(n) + 0.5) * (2 * np.pi / n)

        def place(a: Array, h: Array) -> Array:
            r, _, _ = self.radii(np.cos(a), np.sin(a), h)
            x, y = self.line(h)
            return np.stack([x + r * np.cos(a), y + r * np.sin(a), h], axis=-1)

        a, h = (v.ravel() for v in np.meshgrid(angle, z))
        eps = 1e-3
        along_a = (place(a + eps, h) - place(a - eps, h)) / (2 * eps)
        along_h = (place(a, h + eps) - place(a, h - eps)) / (2 * eps)
        normal = np.cross(along_a, along_h)
        size = np.linalg.norm(normal, axis=1)
        return place(a, h), normal / size[:, None], size * step * (2 * np.pi / n)

    def mid_cortex(self, z_range: tuple[float, float]) -> Array:
        """(N, 3) points half way through the shaft's cortex."""
        a, h = (
            v.ravel() for v in np.meshgrid(np.linspace(0, 2 * np.pi, 60, endpoint=False), np.linspace(*z_range, 60))
        )
        outer, inner, _ = self.radii(np.cos(a), np.sin(a), h)
        r = (outer + inner) / 2
        x, y = self.line(h)
        return np.stack([x + r * np.cos(a), y + r * np.sin(a), h], axis=-1)
