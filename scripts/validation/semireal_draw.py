"""Lesions of known truth laid into a real scan: what the scanner would have shown of them, and what is true.

The shape and tissue of a lesion are a phantom's (`phantoms.lesion`). The bone is the scan's own: its surface is the
half maximum between the cortex nearby and soft tissue, on voxels made finer. What the lesion changes of the tissue is
averaged over the slice and blurred in plane by the scanner's own point spread, measured at the skin, and added to the
scan, so that noise, streaks and texture stay. No code of the program is used.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from scipy import ndimage, optimize, special
from scipy.spatial import cKDTree
from scipy.spatial.distance import pdist
from skimage import measure

from phantoms.lesion import Lesion
from phantoms.physics import at_120, mixed, slope, tissue_hu

Floats = Any
FINE_MM = 0.5
"""Cells in which truth is counted."""
IN_PLANE, ACROSS = 4, 8
"""Samples of a pixel's side and of a slice's thickness."""
LEAST_BONE_HU = 250.0
"""What passes for bone before its surface is sought."""
PEAK_MM = 4.0
"""How far from a place the cortex is looked for whose half height makes its border."""
FLUID_HU = 8.0


@dataclass(frozen=True, eq=False)
class Limb:
    """A real scan: ``hu`` (slices, rows, columns), ``spacing`` mm; places are mm along its axes, slices first."""

    hu: Floats
    spacing: Floats
    kvp: float

    @cached_property
    def steady(self) -> Floats:
        """HU with the noise taken down in plane, for what is bone, muscle or fat."""
        return ndimage.gaussian_filter(self.hu.astype(np.float32), (0.0, 0.6, 0.6))

    @cached_property
    def bone(self) -> Any:
        """Voxels of bone with their marrow."""
        dense = self.steady > self.border_hu
        filled = np.stack([ndimage.binary_fill_holes(ndimage.binary_closing(s, iterations=2) | s) for s in dense])
        labels, _ = ndimage.label(filled)
        sizes = np.bincount(labels.ravel()) * float(np.prod(self.spacing))
        sizes[0] = 0
        return np.asarray((sizes > 800.0)[labels])

    @cached_property
    def border_hu(self) -> Floats:
        """Half way from soft tissue to the densest bone within `PEAK_MM`."""
        size = tuple(int(2 * np.ceil(PEAK_MM / s) + 1) if s < PEAK_MM else 3 for s in self.spacing)
        peak = ndimage.maximum_filter(self.steady, size=size)
        peak = ndimage.gaussian_filter(np.maximum(peak, 2 * LEAST_BONE_HU - 50.0), (0.5, 1.5, 1.5))
        return (peak + self.muscle_hu) / 2

    @cached_property
    def muscle_hu(self) -> float:
        own = self.steady[(self.steady > 0) & (self.steady < 110)]
        counts, edges = np.histogram(own, bins=110, range=(0, 110))
        return float(edges[int(ndimage.gaussian_filter1d(counts.astype(float), 3).argmax())] + 0.5)

    @cached_property
    def tissue(self) -> Floats:
        """HU of the soft tissue as it would be without bone near: smoothed over soft voxels clear of bone."""
        away = ndimage.distance_transform_edt(~(self.steady > LEAST_BONE_HU), sampling=self.spacing)
        soft = (away > 2.5) & (self.steady > -200)
        sigma = (0.0, 1.2, 1.2)
        share = ndimage.gaussian_filter(soft.astype(np.float32), sigma)
        value = ndimage.gaussian_filter(np.where(soft, self.steady, 0).astype(np.float32), sigma)
        plain = np.where(share > 0.2, value / np.maximum(share, 0.2), np.nan)
        known = np.isfinite(plain)
        nearest = ndimage.distance_transform_edt(
            ~known, sampling=(50.0, *self.spacing[1:]), return_distances=False, return_indices=True
        )
        return np.asarray(plain[tuple(nearest)], np.float32)

    @cached_property
    def blur_mm(self) -> float:
        """In-plane standard deviation of the scan's blur, from profiles across the skin (median of many)."""
        body = np.stack([ndimage.binary_fill_holes(s > -400) for s in self.steady])
        found = []
        at = np.arange(-6, 6.01, 0.25)
        for k in range(3, len(body) - 3, 8):
            for contour in measure.find_contours(body[k].astype(float), 0.5):
                for n in range(8, len(contour) - 8, 24):
                    along = contour[n + 6] - contour[n - 6]
                    normal = np.array([along[1], -along[0]]) / max(float(np.linalg.norm(along)), 1e-6)
                    spots = contour[n] + (at / self.spacing[1])[:, None] * normal
                    line = ndimage.map_coordinates(self.hu[k].astype(np.float32), spots.T, order=1, mode="nearest")
                    if line[0] > line[-1]:
                        line = line[::-1]
                    if line[:8].max() > -900 or line[-8:].min() < -250:
                        continue
                    found.append(_edge_sd(at, line))
        good = [sd for sd in found if sd is not None]
        # A linear look-up between pixels adds a sixth of their area to the variance.
        plain = float(np.median(good)) if len(good) >= 10 else 0.7
        return float(np.sqrt(max(plain**2 - self.spacing[1] ** 2 / 6, 0.4**2)))

    def fine_bone(self, low: Floats, high: Floats) -> FineBone:
        """Bone on fine cells of the box between two places."""
        first = np.maximum((low / self.spacing).astype(int) - 2, 0)
        last = np.ceil(high / self.spacing).astype(int) + 3
        cut = tuple(slice(a, b) for a, b in zip(first, last, strict=True))
        shape = np.ceil((high - low) / FINE_MM).astype(int) + 1
        grid = [(low[a] + np.arange(shape[a]) * FINE_MM) / self.spacing[a] - first[a] for a in range(3)]
        bone = self.bone[cut]
        excess = (self.steady[cut] - self.border_hu[cut]).astype(np.float32)
        fine = _finer(excess, grid)
        marrow = _finer(ndimage.binary_erosion(bone, np.ones((1, 3, 3))).astype(np.float32), grid)
        coarse = _finer(ndimage.binary_dilation(bone, iterations=2).astype(np.float32), grid)
        value = np.where(marrow > 0.5, np.maximum(fine, 300.0), np.where(coarse > 0.1, fine, -300.0))
        return FineBone(low, value)


def _finer(values: Floats, grid: list[Floats]) -> Floats:
    """Values looked up linearly on a finer grid (fractional indices per axis), one axis after the other."""
    for axis, at in enumerate(grid):
        inside = np.clip(at, 0, values.shape[axis] - 1)
        low = np.minimum(inside.astype(int), values.shape[axis] - 2)
        part = (inside - low).astype(np.float32).reshape([-1 if a == axis else 1 for a in range(3)])
        values = values.take(low, axis) * (1 - part) + values.take(low + 1, axis) * part
    return values


def _edge_sd(at: Floats, line: Floats) -> float | None:
    def model(v: Floats) -> Floats:
        return v[0] + v[1] * special.ndtr((at - v[2]) / np.exp(v[3])) - line

    solved = optimize.least_squares(model, [float(line[0]), float(line[-1] - line[0]), 0.0, np.log(0.8)], max_nfev=40)
    rms = float(np.sqrt(2 * solved.cost / len(at)))
    return float(np.exp(solved.x[3])) if rms < 25.0 else None


@dataclass(frozen=True, eq=False)
class FineBone:
    """``value`` is positive in bone, on cells of `FINE_MM` from ``low`` (mm along the scan's axes)."""

    low: Floats
    value: Floats

    def contains(self, points: Floats) -> Any:
        """Whether (N, 3) places lie in bone."""
        at = (points - self.low) / FINE_MM
        return np.asarray(ndimage.map_coordinates(self.value, at.T, order=1, mode="nearest") > 0)

    @cached_property
    def surface(self) -> tuple[Floats, Floats, Floats]:
        """Points (N, 3), outward unit normals and mm2 each of the outer surface."""
        if not (self.value > 0).any() or not (self.value < 0).any():
            return np.zeros((0, 3)), np.zeros((0, 3)), np.zeros(0)
        steep = ndimage.gaussian_filter(np.clip(self.value, -300, 300), 1.0)
        corners, faces, _, _ = measure.marching_cubes(steep, 0.0)
        a, b, c = (corners[faces[:, k]] for k in range(3))
        cross = np.cross(b - a, c - a) * FINE_MM**2
        area = np.linalg.norm(cross, axis=1) / 2
        middle = (a + b + c) / 3
        gradient = np.stack([ndimage.map_coordinates(g, middle.T, order=1) for g in np.gradient(steep)], axis=1)
        normal = -gradient / np.maximum(np.linalg.norm(gradient, axis=1), 1e-9)[:, None]
        return self.low + middle * FINE_MM, normal, area


def body_point(points: Floats) -> Floats:
    """Places (slice, row, column) to the (x, y, z) of a phantom's lesion, float32."""
    return np.ascontiguousarray(np.asarray(points)[:, ::-1], np.float32)


@dataclass(frozen=True, eq=False)
class Drawn:
    """A lesion in a limb on one day, outside bone."""

    limb: Limb
    lesion: Lesion
    bone: FineBone

    @property
    def centre(self) -> Floats:
        return np.asarray(self.lesion.centre)[::-1]

    def inside(self, points: Floats) -> tuple[Any, Floats, Floats]:
        """Whether (N, 3) places are lesion, its HU there and mineral mg/cm3."""
        within, mineral, fat, fluid = self.lesion.inside(body_point(points))
        index = np.flatnonzero(within)
        within[index[self.bone.contains(points[index])]] = False
        muscle = self.limb.muscle_hu
        soft = muscle + self.lesion.soft_hu
        background = soft * (1 - fat - fluid) + fat * tissue_hu("fat", self.limb.kvp) + fluid * FLUID_HU
        return within, mixed(background, mineral, slope(self.limb.kvp)), mineral

    def rendered(self) -> Floats:
        """The whole scan with the lesion in it, int16."""
        spacing = self.limb.spacing
        reach = self.lesion.reach + 1.0 + 5 * self.limb.blur_mm
        low = np.maximum(np.floor((self.centre - reach) / spacing).astype(int) - 1, 0)
        high = np.minimum(np.ceil((self.centre + reach) / spacing).astype(int) + 2, self.limb.hu.shape)
        parts = (ACROSS, IN_PLANE, IN_PLANE)
        axes = [
            (np.arange((high[a] - low[a]) * parts[a]) + 0.5) / parts[a] - 0.5 + low[a] for a in range(3)
        ]  # in voxels; a cell's own centre
        plane = np.stack([v.ravel() for v in np.meshgrid(axes[1], axes[2], indexing="ij")], axis=1)
        shape = (len(axes[1]), len(axes[2]))
        added = np.zeros(tuple(high - low), np.float32)
        sigma = self.limb.blur_mm * IN_PLANE / spacing[1:]
        for k in range(high[0] - low[0]):
            layer = np.zeros(shape, np.float32)
            tissue = ndimage.map_coordinates(self.limb.tissue[low[0] + k], plane.T, order=1, mode="nearest")
            for z in axes[0][k * ACROSS : (k + 1) * ACROSS]:
                points = np.concatenate([np.full((len(plane), 1), z), plane], axis=1) * spacing
                near = np.flatnonzero(np.linalg.norm(points - self.centre, axis=1) < self.lesion.reach + 0.5)
                if not len(near):
                    continue
                within, hu, _ = self.inside(points[near])
                chosen = near[within]
                layer.ravel()[chosen] += (hu[within] - tissue[chosen]) / ACROSS
            blurred = ndimage.gaussian_filter(layer, sigma)
            half = IN_PLANE // 2
            grid = blurred.reshape(shape[0] // IN_PLANE, IN_PLANE, shape[1] // IN_PLANE, IN_PLANE)
            added[k] = grid[:, half - 1 : half + 1, :, half - 1 : half + 1].mean(axis=(1, 3))
        hu = self.limb.hu.astype(np.float32)
        hu[tuple(slice(a, b) for a, b in zip(low, high, strict=True))] += added
        return np.rint(np.clip(hu, -1024, 3071)).astype(np.int16)

    def truth(self) -> dict[str, float]:
        """Volume, mass, ratio, diameter, gap, contact, cleft and the centroid (mm along the scan's axes)."""
        low, high = self.centre - self.lesion.reach - 1.0, self.centre + self.lesion.reach + 1.0
        shape = np.ceil((high - low) / FINE_MM).astype(int) + 1
        points = low + np.stack(np.meshgrid(*(np.arange(n) for n in shape), indexing="ij"), -1).reshape(-1, 3) * FINE_MM
        within, hu, mineral = self.inside(points)
        inside, cell = within.reshape(tuple(shape)), FINE_MM**3
        hu120 = at_120(hu, self.limb.kvp, self.limb.muscle_hu).reshape(inside.shape)
        depth = ndimage.distance_transform_edt(inside) * FINE_MM - FINE_MM / 2
        deepest = float(depth.max())
        rim, core = inside & (depth <= min(4.0, deepest / 3)), inside & (depth > deepest / 2)
        dense = inside & (hu120 >= 150)
        zone = ndimage.distance_transform_edt(~dense) * FINE_MM <= 1.5
        mass = float(mineral.reshape(inside.shape)[zone & inside].sum(dtype=np.float64)) * cell / 1000
        middle = points[within].mean(axis=0)
        out = {
            "lesion_volume": float(inside.sum()) * cell,
            "mineral_mass": mass,
            "rim_core_ratio": (1000 + float(hu120[rim].mean())) / (1000 + float(hu120[core].mean())),
            "longest_diameter": float(pdist(self._surface()[0][::12]).max()),
        }
        out.update(self._beside(min(4.0, deepest / 3)))
        for axis, value in zip("zyx", middle, strict=True):
            out[f"centroid_{axis}"] = float(value)
        return out

    def _surface(self) -> tuple[Floats, Floats, Floats]:
        """The outline: the lesion's own surface outside bone, and the bone's within the lesion."""
        points, normals, area = (np.asarray(v) for v in self.lesion.surface(24_000))
        points, normals = points[:, ::-1], normals[:, ::-1]
        out = ~self.bone.contains(points)
        own, facing, size = self.bone.surface
        hit = self.lesion.contains(body_point(own)) if len(own) else np.zeros(0, bool)
        return (
            np.concatenate([points[out], own[hit]]),
            np.concatenate([normals[out], -facing[hit]]),
            np.concatenate([area[out], size[hit]]),
        )

    def _beside(self, rim_mm: float) -> dict[str, float]:
        """Gap, contact and cleft as the definitions have them."""
        points, normals, area = self._surface()
        own, _, _ = self.bone.surface
        if not len(own):
            return {"cortex_gap": float("nan"), "cortex_contact_area": float("nan"), "cleft_fraction": float("nan")}
        distance, nearest = cKDTree(own).query(points)
        foot = own[nearest]
        distance = np.where(distance < 0.12, 0.0, distance)
        unit = (foot - points) / np.maximum(distance, 1e-6)[:, None]
        facing = (distance == 0) | ((distance <= 5.0) & ((unit * normals).sum(axis=1) > 0.5))
        close = facing | (distance <= 0.5)
        dark = np.zeros(len(area), bool)
        if close.any():
            dark[close] = self._dips(points[close], foot[close], normals[close], distance[close], rim_mm)
        contact = float(area[(distance <= 0.5) & ~dark].sum())
        cleft = float(area[facing & dark].sum() / area[facing].sum()) if facing.any() else float("nan")
        return {"cortex_gap": float(distance.min()), "cortex_contact_area": contact, "cleft_fraction": cleft}

    def _dips(self, points: Floats, foot: Floats, normals: Floats, distance: Floats, rim_mm: float) -> Any:
        """Whether the way from the rim's densest place to the cortex falls below 100 HU120 anywhere."""

        def seen(spots: Floats) -> Floats:
            within, hu, _ = self.inside(spots)
            hu = at_120(hu, self.limb.kvp, self.limb.muscle_hu)
            return np.where(within, hu, np.where(self.bone.contains(spots), 1e4, self.limb.muscle_hu))

        depth = np.arange(0.2, rim_mm + 0.05, 0.1)
        inner = seen((points[:, None] - normals[:, None] * depth[None, :, None]).reshape(-1, 3))
        inner = inner.reshape(len(points), -1)
        best = np.where(inner < 5e3, inner, -1.0).argmax(axis=1)
        lowest = np.array([row[: k + 1].min() for row, k in zip(inner, best, strict=True)])
        share = np.linspace(0.05, 0.95, 20)
        between = seen((points[:, None] + (foot - points)[:, None] * share[None, :, None]).reshape(-1, 3))
        between = np.where(distance < 0.12, 1e4, between.reshape(len(points), -1).min(axis=1))
        return np.asarray(np.minimum(lowest, between) < 100)


def placed(limb: Limb, lesion: Lesion, at: Floats, outward: Floats, gap_mm: float) -> tuple[Lesion, FineBone]:
    """The lesion moved along ``outward`` from a place on bone until its least distance to bone is ``gap_mm``.

    A negative gap is how deep the outline reaches into the bone.
    """
    reach = lesion.reach + max(gap_mm, 0.0) + 6.0
    middle = at + outward * (float(np.min(lesion.radii)) + gap_mm)
    bone = limb.fine_bone(middle - reach - 8.0, middle + reach + 8.0)
    own, normals, _ = bone.surface
    tree = cKDTree(own)
    shape = np.asarray(replace(lesion, centre=(0.0, 0.0, 0.0)).surface(3000)[0])[:, ::-1]
    low, high = 0.0, 2 * lesion.reach + max(gap_mm, 0.0)
    for _ in range(30):
        centre = at + outward * (low + high) / 2
        distance, index = tree.query(shape + centre)
        outside = ((shape + centre - own[index]) * normals[index]).sum(axis=1)
        least = float(np.where(outside < 0, -distance, distance).min())
        low, high = ((low + high) / 2, high) if least < gap_mm else (low, (low + high) / 2)
    z, y, x = (float(v) for v in at + outward * (low + high) / 2)
    return replace(lesion, centre=(x, y, z)), bone
