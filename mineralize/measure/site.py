"""One lesion ready to be measured: cleaned attenuation, background, depth layers freed of blur."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, optimize

from ..base import Floats, Settings, gaussian_smoothed, lazy, slope, within_reach
from ..lesion import Neighbourhood, Noise, Outline, Zones, beyond_noise, noise_around
from ..reference import Reference
from .bridged import Bridged, bridged

CORTEX_LIKE = 0.7
"""Share of the HU120 of cortex from which a voxel is as dense: rims reach as much as 850 mg/cm3, 0.73 of cortex, in the
phantoms, and blur takes some of that; own judgement."""
CLEAR_OF_RIM_MM, LEAST_OUTSIDE_MM3 = 3.0, 60.0
"""So far outside the outline no rim is left, and so much as dense there is no speck; own judgement."""
SPECK_MM3, SPECK_OVER_MUSCLE_HU = 4.0, 120.0
"""A piece of mineral smaller than this must read so much over muscle, not only over the threshold; own judgement."""
SOFT_HU, SOFT_REACH_MM = (-200.0, 110.0), 12.0
"""What soft tissue reads where it was smoothed, and how far outside the lesion it is looked at; own judgement."""
CLEAR_OF_BONE_MM, CLEAR_OF_BONE_BLURS = 1.5, 3.0
"""Soft tissue lies this far from bone, and as many blurs (sd): nearer, cortex adds to it; own judgement."""
CALM_MM = 1.0
"""Standard deviation of the smoothing that parts tissues before noise does."""
LEAST_VOXELS = 30
"""Fewer voxels tell no tissue of the lesion's own."""
MUSCLE_FROM_HU = -10.0
"""From here on smoothed tissue outside is muscle and not fat; own judgement."""
MUSCLE_SHARE, INSIDE_SHARE, GROUND_BELOW_HU = 0.8, 0.2, 5.0
"""The ground substance under mineral is no darker than this mixture of muscle and what lies inside, less so many HU:
fat between trabeculae is marrow, no ground (`scripts/validation/known_masses`: real trabeculae keep their mass)."""
MORE_THAN_A_SLICE = 1.01
"""Across slices the zone of mineral reaches the next one for certain, whatever rounding does."""
CARRIED_MM, LEAST_CARRIED = (1.5, 3.0, 8.0), 0.02
"""Background is carried in over these widths (sd), the next where the last found less than this share of it."""
RIM_LAYER_MM, MIDDLE_LAYER_MM, CORE_LAYER_MM = 0.8, 1.0, 2.0
"""Thickness of depth layers: about that of a voxel in the rim, coarser where nothing changes fast."""
KNOWN_DEPTH_MM = -90.0
"""Depths are only found near the outline; beyond they are set below this."""
LEAST_BLUR_MM = 0.05
"""No blur counts as less: a layer's share of a voxel is blurred by something."""
LEAST_LAYER_MM3 = 2.0
"""A layer of which the scan shows less has no mean."""
BENDING, TIED = 0.03, 1e-4
"""Weights that hold layers to an even course and to what was read: as weak as noise allows (own phantoms)."""


@dataclass(frozen=True, eq=False)
class Site:
    """Everything a quantity may need about the lesion in one scan; arrays share the grid of ``near``."""

    scan: int
    near: Neighbourhood
    reference: Reference
    outline: Outline
    zones: Zones
    settings: Settings

    @property
    def voxel_mm3(self) -> float:
        return self.near.grid.voxel_volume_mm3

    @lazy
    def usable(self) -> NDArray[np.bool_]:
        """Voxels outside bone and its steepest blur."""
        return np.asarray(self.near.bone_distance > 0.5)

    @lazy
    def hidden_mm3(self) -> float:
        """Volume of the lesion that lies in bone or its steepest blur."""
        return float((self.zones.lesion * ~self.usable).sum() * self.voxel_mm3)

    @lazy
    def running_on_mm3(self) -> float:
        """Volume inside the outline that is as dense as cortex, is not taken for bone, and goes on well outside.

        A rim ends at the outline. Bone that was taken for mineral does not: the larger of its pieces counts.
        """
        if self.reference.cortex is None:
            return 0.0
        cortex = float(self.reference.hu120(np.array([self.reference.cortex.mean_hu]))[0])
        dense = (self.near.bone_distance > 1.0) & (self.near.hu120 >= CORTEX_LIKE * cortex)
        labels, count = ndimage.label(dense, np.ones((3, 3, 3)))
        if count == 0:
            return 0.0
        depth = self.zones.depth
        inside = np.bincount(labels[dense & (depth > 0.5)], minlength=count + 1) * self.voxel_mm3
        outside = np.bincount(labels[dense & (depth < -CLEAR_OF_RIM_MM)], minlength=count + 1) * self.voxel_mm3
        both = np.where(outside >= LEAST_OUTSIDE_MM3, inside, 0.0)
        both[0] = 0.0
        return float(both.max())

    @lazy
    def bridged(self) -> Bridged:
        """The part of the outline that crosses gaps unseen."""
        return bridged(self.outline, self.reference.blur_sd_mm)

    @lazy
    def hu(self) -> NDArray[np.float32]:
        """HU of the scan with the spill of bone taken off."""
        return np.asarray(self.near.hu - self.near.spill, np.float32)

    @property
    def hu120(self) -> NDArray[np.float32]:
        """HU at 120 kVp with the spill of bone taken off."""
        return np.asarray(self.near.hu120, np.float32)

    @lazy
    def mineral(self) -> NDArray[np.bool_]:
        """Voxels with HU120 over the threshold in or next to the lesion; specks that noise explains dropped."""
        return self.mineral_over(self.settings.mineral.threshold_hu120)

    def mineral_over(self, threshold_hu120: float) -> NDArray[np.bool_]:
        """Voxels (slices, rows, columns) over another HU120 threshold, within reach of the outline's mineral."""
        box, possible = self._possible
        hu120 = self.hu120[box]
        over = (hu120 >= threshold_hu120) & possible
        labels, count = ndimage.label(over, np.ones((3, 3, 3)))
        everywhere = np.zeros(self.near.grid.shape, bool)
        if count == 0:
            return everywhere
        sizes = np.bincount(labels.ravel())
        peak = np.full(count + 1, -np.inf, np.float32)
        np.maximum.at(peak, labels[over], hu120[over])
        keep = beyond_noise(
            hu120,
            labels,
            count,
            base_hu=self._base_hu,
            noise=self.noise,
            scale=self.slope_ratio,
            searched_mm3=float(possible.sum() * self.voxel_mm3),
        )
        keep &= (sizes * self.voxel_mm3 >= SPECK_MM3) | (peak > self.reference.muscle.mean_hu + SPECK_OVER_MUSCLE_HU)
        everywhere[box] = keep[labels]
        return everywhere

    @lazy
    def noise(self) -> Noise:
        """Noise of the tissue in and around the lesion; that of the whole scan where there is too little of it."""
        return noise_around(self.near.hu, self._soft, self.near.grid, self.reference)

    @lazy
    def _base_hu(self) -> float:
        """HU120 of the lesion's own tissue without mineral, not below muscle: an enhanced mass lies over it."""
        own = self.calm[self._soft & (self.zones.depth > 0.0)]
        return max(self.reference.muscle.mean_hu, float(np.median(own)) if len(own) >= LEAST_VOXELS else -np.inf)

    @lazy
    def _soft(self) -> NDArray[np.bool_]:
        """Voxels of soft tissue near the lesion, by what they read over 2 mm, and clear of bone."""
        clear = self.near.bone_distance > max(CLEAR_OF_BONE_MM, CLEAR_OF_BONE_BLURS * self.reference.blur_sd_mm)
        soft = (self.calm < SOFT_HU[1]) & (self.calm > SOFT_HU[0])
        return np.asarray(clear & soft & (self.zones.depth > -SOFT_REACH_MM))

    @lazy
    def _possible(self) -> tuple[tuple[slice, ...], NDArray[np.bool_]]:
        """A box around all voxels that can count as mineral, and those voxels in it."""
        mask = self.usable & (self.zones.depth >= -self.settings.mineral.zone_reach_mm)
        box = []
        for axis in range(3):
            hit = np.flatnonzero(mask.any(axis=tuple(a for a in range(3) if a != axis)))
            box.append(slice(int(hit[0]), int(hit[-1]) + 1) if len(hit) else slice(0, 0))
        return tuple(box), np.asarray(mask[tuple(box)])

    @property
    def slope_ratio(self) -> float:
        """HU at 120 kVp per HU of this scan, for mineral."""
        return slope(120.0) / self.reference.slope

    @lazy
    def mineral_zone(self) -> NDArray[np.bool_]:
        """Z: within reach of mineral, inside the outline widened by the reach, bone excluded.

        Across slices the reach is at least the slice thickness: mineral that ends within a slice may leave it under the
        threshold, and was a tenth of the mass of a scanned 5 mm cylinder and of real trabeculae in 3 mm slices.
        """
        reach = self.settings.mineral.zone_reach_mm
        if not self.mineral.any():
            return np.zeros(self.near.grid.shape, bool)
        spacing = self.near.grid.spacing.copy()
        spacing[0] *= reach / max(reach, MORE_THAN_A_SLICE * self.reference.slice_mm)
        near = within_reach(self.mineral, spacing, reach)
        return np.asarray(near & (self.zones.depth >= -reach) & self.usable)

    @lazy
    def background(self) -> NDArray[np.float32]:
        """HU of the tissue under and around the mineral, carried into the mineral zone from both sides.

        Outside the outline it is the tissue outside. Under the mineral it is halfway between the muscle around and
        the lesion's own soft tissue; fat in the core is marrow between trabeculae, not the ground substance of
        bone, and counts little there. Past the inner border of the mineral it is what lies inside.
        """
        outside, inside = self.background_alternatives
        muscle = self._carried(self._plain & (self.zones.depth < 0.0) & (self.calm > MUSCLE_FROM_HU))
        own = np.maximum(inside, MUSCLE_SHARE * muscle + INSIDE_SHARE * inside - GROUND_BELOW_HU)
        ground = 0.5 * (own + muscle)
        deeper = np.where(self.mineral, ground, np.where(self.zones.depth > 1.0, inside, ground))
        share = self.zones.lesion
        return np.asarray(share * deeper + (1.0 - share) * outside, np.float32)

    @lazy
    def _plain(self) -> NDArray[np.bool_]:
        """Voxels of tissue that is neither mineral nor bone nor near either."""
        grown = self.mineral_zone if self.mineral.any() else np.zeros(self.near.grid.shape, bool)
        return np.asarray(~grown & self._soft)

    @lazy
    def calm(self) -> NDArray[np.float32]:
        """HU120 smoothed over about 2 mm: noise must not choose which voxels count as plain tissue, or their mean is
        that of a distribution cut on one side (2 HU low at 20 HU of noise on a scanned phantom)."""
        return np.asarray(gaussian_smoothed(self.near.hu120, CALM_MM / self.near.grid.spacing), np.float32)

    def _carried(self, plain: NDArray[np.bool_]) -> NDArray[np.float32]:
        result = np.full(self.near.grid.shape, self.reference.muscle.mean_hu, np.float32)
        known = np.zeros(self.near.grid.shape, bool)
        for sigma_mm in CARRIED_MM:
            sigma = sigma_mm / self.near.grid.spacing
            share = gaussian_smoothed(plain.astype(np.float32), sigma)
            value = gaussian_smoothed(np.where(plain, self.near.hu, 0.0).astype(np.float32), sigma)
            fresh = ~known & (share > LEAST_CARRIED)
            result[fresh] = value[fresh] / share[fresh]
            known |= fresh
        return result

    @lazy
    def background_alternatives(self) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Background carried in from the outside alone and from the inside alone."""
        outside = self._carried(self._plain & (self.zones.depth < 0.0))
        inner = self._plain & (self.zones.depth > 0.0)
        inside = self._carried(inner) if inner.sum() >= LEAST_VOXELS else outside
        return outside, inside

    @lazy
    def layers(self) -> Layers:
        """Depth layers freed of blur, in HU of this scan."""
        return find_layers(self)


@dataclass(frozen=True, eq=False)
class Layers:
    """Mean HU by depth with blur undone.

    ``edges`` (L+1,) mm increasing from outside; ``hu``, ``hu120``, ``plain_hu``, ``plain_hu120`` (L,), the latter
    two without correction; ``volume_mm3`` (L,). ``spill`` (slices, rows, columns) is what blur carries into each voxel
    from other layers, HU of the scan; 0 where not computed.
    """

    edges: Floats
    hu: Floats
    hu120: Floats
    plain_hu: Floats
    plain_hu120: Floats
    volume_mm3: Floats
    spill: NDArray[np.float32]

    def mean(self, low_mm: float, high_mm: float, *, kind: str = "hu") -> float:
        """Volume-weighted mean between two depths; layers cut by a border count by their share."""
        values = np.asarray(getattr(self, kind))
        width = np.diff(self.edges)
        share = np.clip(np.minimum(self.edges[1:], high_mm) - np.maximum(self.edges[:-1], low_mm), 0.0, None) / width
        weight = share * self.volume_mm3
        known = (weight > 0) & np.isfinite(values)
        if not known.any():
            return float("nan")
        return float((weight[known] * values[known]).sum() / weight[known].sum())


def layer_edges(rim_mm: float, core_mm: float, inradius_mm: float) -> Floats:
    """Layer borders: 1 mm outside, finer in the rim, coarse in the core; rim and core borders included."""
    outside = np.array([-8.0, -4.0, -3.0, -2.0, -1.0])
    rim = np.linspace(0.0, rim_mm, max(round(rim_mm / RIM_LAYER_MM), 2) + 1)
    middle = np.linspace(rim_mm, core_mm, max(round((core_mm - rim_mm) / MIDDLE_LAYER_MM), 1) + 1)[1:]
    core = np.linspace(core_mm, inradius_mm, max(round((inradius_mm - core_mm) / CORE_LAYER_MM), 1) + 1)[1:]
    return np.concatenate([outside, rim, middle, core])


def find_layers(site: Site) -> Layers:
    """Mean HU by depth, freed of the scan's blur.

    The blur of every layer's indicator into every other is computed on the scan's own voxels (the geometric
    transfer matrix of Rousset 1998, J Nucl Med 39:904, with layers for regions) and undone by least squares
    with a weak penalty on bending within the lesion and within its surroundings, none across the outline.
    """
    zones, grid = site.zones, site.near.grid
    edges = layer_edges(zones.rim_depth_mm, zones.core_depth_mm, zones.inradius_mm)
    count = len(edges) - 1
    usable = site.usable & (zones.depth > KNOWN_DEPTH_MM)
    native = max(site.reference.blur_sd_mm**2 - float(grid.spacing[2]) ** 2 / 6, LEAST_BLUR_MM**2)
    in_plane = np.sqrt(max(native - float(grid.spacing[2]) ** 2 / 12, LEAST_BLUR_MM**2))
    axial = np.sqrt(max((site.reference.slice_mm**2 - float(grid.spacing[0]) ** 2) / 12, 0.0))
    sigma = np.array([axial, in_plane, in_plane]) / grid.spacing
    # One layer at a time over the whole box: together they would take more than all else that is measured.
    weights, blurred = np.empty((2, count, int(usable.sum())), np.float32)
    sizes = np.empty(count)
    above = zones.share_below(float(edges[0]))
    for i in range(count):
        below = zones.share_below(float(edges[i + 1])) if i + 1 < count else np.zeros(grid.shape, np.float32)
        share = np.maximum(above - below, 0.0)
        weights[i], blurred[i], sizes[i] = share[usable], gaussian_smoothed(share, sigma)[usable], float(share.sum())
        above = below
    total = weights.sum(axis=1)
    blurred[0] += np.clip(1.0 - blurred.sum(axis=0), 0.0, 1.0)
    transfer = (weights @ blurred.T) / np.maximum(total, 1e-6)[:, None]
    safe = np.maximum(total, 1e-6)
    plain_hu = (weights @ site.hu[usable]) / safe
    plain_120 = (weights @ site.hu120[usable]) / safe
    missing = total * site.voxel_mm3 < LEAST_LAYER_MM3
    corrected = []
    for plain in (plain_hu, plain_120):
        corrected.append(np.where(missing, np.nan, _undo(transfer, plain, edges, missing)))
    everything = sizes * site.voxel_mm3
    known = np.where(np.isfinite(corrected[0]), corrected[0], plain_hu)
    spill = np.zeros(grid.shape, np.float32)
    spill[usable] = known @ blurred - known @ weights
    return Layers(edges, corrected[0], corrected[1], plain_hu, plain_120, everything, spill)


def _undo(transfer: Floats, plain: Floats, edges: Floats, missing: NDArray[np.bool_]) -> Floats:
    count = len(plain)
    rows = []
    for i in range(1, count - 1):
        if edges[i] == 0.0 or edges[i + 1] == 0.0:
            continue
        row = np.zeros(count)
        row[i - 1 : i + 2] = (1.0, -2.0, 1.0)
        rows.append(row * BENDING)
    system = np.vstack([np.where(missing[:, None], 0.0, transfer), *[r[None] for r in rows], np.eye(count) * TIED])
    right = np.concatenate([np.where(missing, 0.0, plain), np.zeros(len(rows)), plain * TIED])
    return np.asarray(optimize.lsq_linear(system, right).x)
