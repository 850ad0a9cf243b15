"""A lesion: a star-shaped closed outline and the mineral and tissue inside it (body frame, mm)."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.special import erf

from .loops import interpolated, squared_distance
from .physics import Array


def smooth_on_sphere(directions: Array, seed: int, waves: int, pitch: float) -> Array:
    """A smooth random function of (..., 3) unit vectors, about zero mean and unit size."""
    rng = np.random.default_rng(seed)
    value = np.zeros(directions.shape[:-1])
    for _ in range(waves):
        axis = rng.normal(size=3)
        axis /= np.linalg.norm(axis)
        value += np.cos(pitch * rng.uniform(0.7, 1.3) * (directions @ axis) + rng.uniform(0, 2 * np.pi))
    return np.asarray(value * np.sqrt(2 / waves))


def rotation(degrees: tuple[float, float, float]) -> Array:
    """Turn about x, then y, then z."""
    a, b, c = np.radians(degrees)
    x = np.array([[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]])
    y = np.array([[np.cos(b), 0, np.sin(b)], [0, 1, 0], [-np.sin(b), 0, np.cos(b)]])
    z = np.array([[np.cos(c), -np.sin(c), 0], [np.sin(c), np.cos(c), 0], [0, 0, 1]])
    return np.asarray(z @ y @ x)


def _smoothstep(value: Array) -> Array:
    t = np.clip(value, 0, 1)
    return np.asarray(t * t * (3 - 2 * t))


@dataclass(frozen=True)
class Lesion:
    """Everything about one lesion on one day.

    ``coverage`` is the share of the outline that carries a shell (half density at the soft border of a gap);
    ``mineral_mg`` the shell's hydroxyapatite, mg/cm3; ``centre_mg`` mineral heaped in the centre (reversed
    zoning); ``haze_mg`` faint mineral of the middle zone. ``core_fat`` and ``core_fluid`` are shares of the core.
    """

    centre: tuple[float, float, float] = (36.0, 10.0, 0.0)
    radii: tuple[float, float, float] = (15.0, 13.0, 19.0)
    angles: tuple[float, float, float] = (0.0, 0.0, 0.0)
    lobes: float = 0.03
    lobe_pitch: float = 3.0
    shape_seed: int = 1
    shell_mm: float = 2.0
    shell_uneven: float = 0.15
    fuzz_mm: float = 0.5
    mineral_mg: float = 400.0
    mineral_uneven: float = 0.1
    coverage: float = 1.0
    gap_soft_deg: float = 6.0
    gaps: tuple[tuple[float, float, float], ...] = ((0.3, -0.8, 0.5), (-0.6, 0.5, -0.6))
    flocculent: float = 0.0
    fleck_mm: float = 5.0
    centre_mg: float = 0.0
    centre_share: float = 0.45
    haze_mg: float = 0.0
    soft_hu: float = -6.0
    """HU of the lesion's soft tissue less that of muscle."""
    core_fat: float = 0.0
    core_fluid: float = 0.0
    oedema_hu: float = 0.0
    oedema_mm: float = 8.0
    track: tuple[float, float, float] | None = None
    """Direction (from the centre) of an air-filled biopsy track, if there is one."""
    track_mm: float = 1.2

    # ---- shape -------------------------------------------------------------------------------
    def radius(self, directions: Array) -> Array:
        """Distance from the centre to the outline in (..., 3) body directions (unit vectors)."""
        own = directions @ rotation(self.angles)
        base = 1 / np.sqrt(((own / np.asarray(self.radii)) ** 2).sum(axis=-1))
        if not self.lobes:
            return np.asarray(base)
        return np.asarray(base * (1 + self.lobes * smooth_on_sphere(own, self.shape_seed, 9, self.lobe_pitch)))

    def steepness(self, directions: Array) -> tuple[Array, Array]:
        """Length of grad(rho - R) on the outline, and the outward unit normals."""
        radius = self.radius(directions)
        points = directions * radius[..., None]
        gradient = np.empty_like(points)
        step = 0.02
        for axis in range(3):
            shift = np.zeros(3)
            shift[axis] = step
            ends = []
            for moved in (points + shift, points - shift):
                rho = np.linalg.norm(moved, axis=-1)
                ends.append(rho - self.radius(moved / rho[..., None]))
            gradient[..., axis] = (ends[0] - ends[1]) / (2 * step)
        length = np.linalg.norm(gradient, axis=-1)
        return length, gradient / length[..., None]

    def surface(self, count: int) -> tuple[Array, Array, Array]:
        """About evenly spread (N, 3) outline points, outward normals and mm2 each."""
        k = np.arange(count) + 0.5
        height = 1 - 2 * k / count
        angle = k * np.pi * (3 - np.sqrt(5))
        flat = np.sqrt(1 - height**2)
        directions = np.stack([flat * np.cos(angle), flat * np.sin(angle), height], axis=-1)
        radius = self.radius(directions)
        length, normals = self.steepness(directions)
        area = radius**2 * length * (4 * np.pi / count)
        return np.asarray(self.centre) + directions * radius[:, None], normals, area

    @cached_property
    def reach(self) -> float:
        """Largest distance from the centre to the outline."""
        return float(self.tables[0].max())

    # ---- lookup by direction -------------------------------------------------------------------
    @cached_property
    def tables(self) -> Array:
        """(4, 181, 361): outline radius, steepness, shell thickness, shell density by polar and azimuth degree."""
        polar, azimuth = np.meshgrid(np.radians(np.arange(181)), np.radians(np.arange(361)), indexing="ij")
        directions = np.stack(
            [np.sin(polar) * np.cos(azimuth), np.sin(polar) * np.sin(azimuth), np.cos(polar)], axis=-1
        )
        radius = self.radius(directions)
        length, _ = self.steepness(directions)
        thickness = self.shell_mm * np.clip(
            1 + self.shell_uneven * smooth_on_sphere(directions, self.shape_seed + 1, 8, 3.0), 0.3, 2.0
        )
        density = self.mineral_mg * np.clip(
            1 + self.mineral_uneven * smooth_on_sphere(directions, self.shape_seed + 2, 8, 4.0), 0.2, 2.0
        )
        weight = radius**2 * length * np.sin(polar)
        weight[:, -1] = 0
        density = density * self._mask(directions, weight)
        return np.stack([radius, length, thickness, density]).astype(np.float32)

    def _mask(self, directions: Array, weight: Array) -> Array:
        """1 where there is a shell, 0 in a gap, soft between, covering ``coverage`` of the area."""
        if self.coverage >= 1:
            return np.ones(directions.shape[:-1])
        if self.coverage <= 0:
            return np.zeros(directions.shape[:-1])
        angle = np.full(directions.shape[:-1], np.inf)
        for k, gap in enumerate(self.gaps):
            towards = np.asarray(gap) / np.linalg.norm(gap)
            away = np.degrees(np.arccos(np.clip(directions @ towards, -1, 1)))
            angle = np.minimum(angle, away * (1 + 0.35 * k))
        angle = angle + 7.0 * smooth_on_sphere(directions, self.shape_seed + 3, 8, 4.0)
        order = np.argsort(angle, axis=None)
        share = np.cumsum(weight.ravel()[order])
        level = angle.ravel()[order][np.searchsorted(share, (1 - self.coverage) * share[-1])]
        return _smoothstep((angle - level) / self.gap_soft_deg + 0.5)

    def lookup(self, points: Array, rows: int = 4) -> tuple[Array, Array]:
        """Distance from the centre (N,) and the first ``rows`` of the tables (rows, N) at (N, 3) body points."""
        centre = np.asarray(self.centre, points.dtype)
        rho = np.sqrt(squared_distance(points, centre)) + np.float32(1e-6)
        x, y, z = (points[:, axis] - centre[axis] for axis in range(3))
        polar = np.degrees(np.arccos(np.clip(z / rho, -1, 1)))
        azimuth = np.degrees(np.arctan2(y, x)) % 360
        return rho, interpolated(self.tables[:rows], polar, azimuth)

    # ---- what is inside ------------------------------------------------------------------------
    def outside_mm(self, points: Array) -> Array:
        """First-order distance outside the outline (negative inside)."""
        rho, (radius, length) = self.lookup(points, 2)
        return np.asarray((rho - radius) / length)

    def contains(self, points: Array) -> Array:
        rho, (radius,) = self.lookup(points, 1)
        return np.asarray(rho < radius)

    def inside(self, points: Array) -> tuple[Array, Array, Array, Array]:
        """For (N, 3) points: whether inside, mineral mg/cm3, share of fat and share of fluid (0 outside)."""
        rho, (radius, length, thickness, density) = self.lookup(points)
        within = rho < radius
        depth = (radius - rho) / length
        fuzz = np.maximum(self.fuzz_mm * np.minimum(1, thickness / 1.5), 0.005)
        mineral = density * 0.5 * (1 - erf((depth - thickness) / (np.sqrt(2) * fuzz)))
        if self.flocculent:
            # only the shell is flecked; the field is the same in every scan of a history
            mineral = mineral * self._flecks(points)
        depth_share = 1 - rho / radius
        if self.haze_mg:
            # the middle zone only: faint mineral spread over a core cannot be told from soft tissue
            middle = _smoothstep((depth - thickness) / 2) * (1 - _smoothstep((depth_share - 0.25) / 0.2))
            mineral = mineral + self.haze_mg * middle
        if self.centre_mg:
            mineral = mineral + self.centre_mg * _smoothstep((self.centre_share + 0.15 - rho / radius) / 0.3)
        into_core = _smoothstep((depth_share - 0.18) / 0.25)
        fat, fluid = self.core_fat * into_core, self.core_fluid * into_core
        if self.track is not None:
            offset = points - np.asarray(self.centre, points.dtype)
            axis = np.asarray(self.track, points.dtype) / np.float32(np.linalg.norm(self.track))
            mineral = np.where(self.in_track(offset, axis), 0, mineral)
        return within, np.where(within, mineral, 0), np.where(within, fat, 0), np.where(within, fluid, 0)

    def in_track(self, offset: Array, axis: Array) -> Array:
        along = offset @ axis
        across = np.sqrt(np.maximum((offset * offset).sum(axis=1) - along**2, 0))
        return np.asarray((along > -2) & (across < self.track_mm))

    def _flecks(self, points: Array) -> Array:
        rng = np.random.default_rng(self.shape_seed + 17)
        value = np.zeros(len(points), points.dtype)
        offset = points - np.asarray(self.centre, points.dtype)
        for _ in range(10):
            k = rng.normal(size=3)
            k *= 2 * np.pi / (self.fleck_mm * rng.uniform(0.7, 1.5) * np.linalg.norm(k))
            value += np.sin(offset @ k.astype(points.dtype) + points.dtype.type(rng.uniform(0, 2 * np.pi)))
        return np.clip(1 + self.flocculent * value * np.float32(np.sqrt(2 / 10)), 0, 3)
