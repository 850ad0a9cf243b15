"""The mineral scale and the steady tissues of each scan."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, optimize, special

from ..base import (
    MAD_TO_SD,
    Acquisition,
    Calibration,
    Floats,
    MineralSettings,
    Note,
    Volume,
    all_around,
    gaussian_smoothed,
    slope,
    to_hu120,
)
from .cubes import CUBE_MM3, LEAST_MM3, Cubes, cubes_of
from .depth import muscle_by_depth
from .slopes import TABLE, slope_of

THINNEST_MM = 0.3
"""A stated slice thickness below this is taken for a slip: no slice of a limb CT is thinner."""
LEAST_EDGES = 50
"""Places on the surface of cortex from which its edges tell the blur."""
NEAR_MODE_HU = 20.0
"""Muscle is what reads within this of its commonest value (own judgement)."""
LEVEL_COSINE = 0.35
"""Places whose normal points more along the slices than this are blurred by them and left out."""
LEAST_CORTEX_HU = 500.0
"""A profile that stays below it crosses no cortex."""
LEAST_WALL = 2.2
"""Thickness of a wall in blurs (sd) from which its height and its blur can be told apart (own phantoms)."""
KERNEL_BLUR_MM = {"sharp": 0.4, "medium": 0.5}
SOFT_BLUR_MM = 0.6
"""In-plane blur (standard deviation) by kernel where no edge tells it; common practice, no source."""
MUSCLE_WINDOW_HU = (-29.0, 150.0)
"""Aubrey 2014, Acta Physiol 210:489."""
FAT_WINDOW_HU = (-190.0, -30.0)
"""Aubrey 2014, Acta Physiol 210:489."""
USUAL_FAT_HU = -90.0
"""Fat where the scan shows none (Aubrey 2014, Acta Physiol 210:489)."""


@dataclass(frozen=True)
class Tissue:
    """Mean HU of a tissue, its standard error (95 % half-width is twice that) and the volume it rests on."""

    mean_hu: float
    standard_error_hu: float
    volume_mm3: float


@dataclass(frozen=True)
class Reference:
    """What one scan says about itself.

    ``noise_hu`` is the standard deviation of single voxels in muscle; ``noise_4mm_hu`` that of means over 4 mm
    cubes, which is what an average over a zone sees. ``blur_sd_mm`` is the in-plane standard deviation of the
    point spread, from cortical edges where there are enough. ``slope`` is HU per mg/cm3 at ``kvp``,
    ``slope_uncertainty`` its relative 95 % half-width and ``slope_source`` where it comes from, in words.
    ``cortex_off`` is the relative disagreement of the cortex with the case's other scans, where that is known.
    ``hardening_hu`` is how far muscle falls towards the middle of the limb where that shows beam hardening, else 0.
    """

    kvp: float
    slope: float
    muscle: Tissue
    fat: Tissue | None
    cortex: Tissue | None
    noise_hu: float
    noise_4mm_hu: float
    blur_sd_mm: float
    slice_mm: float
    slice_spacing_mm: float
    notes: tuple[Note, ...] = ()
    slope_uncertainty: float = 0.05
    slope_source: str = TABLE
    cortex_off: float | None = None
    hardening_hu: float = 0.0

    @property
    def noise_hu120(self) -> float:
        """Standard deviation of single voxels in mineral, HU at 120 kVp."""
        return self.noise_hu * slope(120.0) / self.slope

    @property
    def fat_hu(self) -> float:
        """Mean HU of fat; what it usually reads where the scan shows none."""
        return USUAL_FAT_HU if self.fat is None else self.fat.mean_hu

    def hu120(self, hu: Any) -> NDArray[Any]:
        """HU at 120 kVp of this scan's HU, in the shape given."""
        return to_hu120(hu, self.muscle.mean_hu, self.slope)

    def blur_along(self, axial_cosine: Any) -> Any:
        """Standard deviation (mm) of the blur along directions with that cosine to the slice normal.

        The slice profile counts as a box of the slice thickness, followed by the linear interpolation between
        slices that sampling the volume adds (mean variance: spacing squared over 6).
        """
        squared = np.asarray(axial_cosine, float) ** 2
        axial = self.slice_mm**2 / 12 + self.slice_spacing_mm**2 / 6
        return np.sqrt(self.blur_sd_mm**2 * (1 - squared) + axial * squared)

    def mean_error(self, volume_mm3: float) -> float:
        """Standard error in HU of a mean over ``volume_mm3`` from image noise."""
        return self.noise_4mm_hu * float(np.sqrt(CUBE_MM3 / max(volume_mm3, LEAST_MM3)))


def measure_reference(
    volume: Volume,
    acquisition: Acquisition,
    settings: MineralSettings,
    *,
    bone_points: Floats | None = None,
    bone_normals: Floats | None = None,
    calibration: Calibration | None = None,
    where: str = "calibration",
) -> Reference:
    """Steady tissues, noise, blur and mineral scale of one scan.

    Parameters
    ----------
    volume : the scan.
    bone_points, bone_normals : (N, 3) LPS mm, cortical surface and outward unit normals; without them blur is
        guessed from the kernel.
    calibration : what ``case.toml`` says of the scan's slope, in place of the table.
    where : what to call that place in messages.

    Raises
    ------
    CaseFileError
        when calibration rods cannot be used.
    """
    cubes = cubes_of(volume)
    muscle, fat, noise, noise_4mm, more = _soft_tissue(volume, cubes)
    slice_mm = max(float(acquisition.slice_thickness_mm or volume.grid.spacing[0]), THINNEST_MM)
    own = slope_of(acquisition, settings, calibration, volume, slice_mm=slice_mm, noise=(noise, noise_4mm), where=where)
    hardening, warned = _hardening(cubes, muscle.mean_hu)
    blur, cortex = None, None
    if bone_points is not None and bone_normals is not None and len(bone_points) >= LEAST_EDGES:
        blur, cortex = _edge_blur(volume, bone_points, bone_normals)
    return Reference(
        own.kvp,
        own.slope,
        muscle,
        fat,
        cortex,
        noise,
        noise_4mm,
        _guessed_blur(volume, acquisition) if blur is None else blur,
        slice_mm,
        float(volume.grid.spacing[0]),
        (*own.notes, *more, *warned),
        own.uncertainty,
        own.source,
        hardening_hu=hardening,
    )


def _hardening(cubes: Cubes, muscle_hu: float) -> tuple[float, tuple[Note, ...]]:
    """HU by which muscle falls towards the middle as beam hardening makes it, 0 where it does not, and a note of it."""
    trend = muscle_by_depth(cubes, muscle_hu)
    fall = trend.uncorrected_hu if trend else 0.0
    if not fall:
        return fall, ()
    text = (
        f"Muscle reads {fall:.0f} HU lower in the middle than under the skin, as where beam hardening is not "
        "corrected: mineral may read low."
    )
    return fall, (Note("beam-hardening", text, "caution"),)


def _guessed_blur(volume: Volume, acquisition: Acquisition) -> float:
    """In-plane blur (standard deviation, mm) where too few edges of cortex tell: by the kernel and the pixel."""
    return float(np.hypot(KERNEL_BLUR_MM.get(acquisition.kernel_class, SOFT_BLUR_MM), volume.grid.spacing[2] / 3.5))


def _soft_tissue(volume: Volume, cubes: Cubes) -> tuple[Tissue, Tissue | None, float, float, tuple[Note, ...]]:
    """Muscle and fat means, voxel noise and noise of 4 mm cube means."""
    mean = np.concatenate([m.ravel() for m, _ in cubes.slabs])
    spread = np.concatenate([s.ravel() for _, s in cubes.slabs])
    cube_volume = float(np.prod(cubes.size))
    muscle_at, pure = _mode(mean, spread, MUSCLE_WINDOW_HU)
    notes: list[Note] = []
    if pure.sum() < 20:
        notes.append(Note("muscle-scarce", "too little muscle in view; 50 HU assumed as its attenuation", "caution"))
        return Tissue(50.0, 10.0, 0.0), None, 20.0, 8.0, tuple(notes)
    noise = float(np.median(spread[pure]))
    values = mean[pure]
    noise_4mm = MAD_TO_SD * float(np.median(np.abs(values - np.median(values))))
    scale = np.sqrt(CUBE_MM3 / cube_volume) if cube_volume < CUBE_MM3 else 1.0
    muscle = Tissue(muscle_at, float(values.std() / np.sqrt(len(values))), float(len(values) * cube_volume))
    fat = _fat(volume, noise_4mm)
    return muscle, fat, noise, noise_4mm / float(scale), tuple(notes)


def _fat(volume: Volume, noise_4mm_hu: float) -> Tissue | None:
    """Fat at least 2 mm from anything else in its slice, from up to 12 slices; ``None`` where there is too little."""
    grid = volume.grid
    values: list[Floats] = []
    in_plane = grid.spacing[1:]
    reach = tuple(2 * int(np.ceil(2.0 / h)) + 1 for h in in_plane)
    for k in np.unique(np.linspace(0, grid.shape[0] - 1, min(grid.shape[0], 12)).astype(int)):
        plane = volume.hu[k].astype(np.float32)
        smooth = gaussian_smoothed(plane, 0.9 / in_plane)
        fat = (smooth >= FAT_WINDOW_HU[0]) & (smooth <= FAT_WINDOW_HU[1])
        values.append(plane[all_around(fat, reach)])
    found = np.concatenate(values)
    volume_mm3 = len(found) * grid.voxel_volume_mm3
    if volume_mm3 < 100.0:
        return None
    return Tissue(float(found.mean()), noise_4mm_hu * float(np.sqrt(CUBE_MM3 / volume_mm3)), volume_mm3)


def _mode(mean: Floats, spread: Floats, window: tuple[float, float]) -> tuple[float, NDArray[np.bool_]]:
    """Mean within 20 HU of the densest of the window among homogeneous cubes, and which cubes those are."""
    inside = (mean >= window[0]) & (mean <= window[1])
    if not inside.any():
        return float("nan"), inside
    quiet = inside & (spread <= np.percentile(spread[inside], 60))
    counts, edges = np.histogram(mean[quiet], bins=np.arange(window[0], window[1] + 2, 2.0))
    smooth = ndimage.gaussian_filter1d(counts.astype(float), 3.0)
    top = edges[int(np.argmax(smooth))] + 1.0
    for _ in range(3):
        chosen = quiet & (np.abs(mean - top) <= NEAR_MODE_HU)
        top = float(mean[chosen].mean()) if chosen.any() else top
    return top, chosen


def _edge_blur(volume: Volume, points: Floats, normals: Floats) -> tuple[float | None, Tissue | None]:
    """In-plane blur (standard deviation, mm) and mid-cortex HU from profiles across the cortical surface.

    A box of cortex convolved with a Gaussian is fitted to profiles averaged over neighbouring points (the
    model of Treece 2010, Med Image Anal 14:276), using walls thick enough for width and height to separate.
    """
    level = np.abs(normals @ volume.grid.directions[:, 0]) < LEVEL_COSINE
    chosen = np.flatnonzero(level)
    if len(chosen) < LEAST_EDGES:
        return None, None
    chosen = chosen[np.linspace(0, len(chosen) - 1, min(len(chosen), 1500)).astype(int)]
    at = np.arange(-5.0, 3.01, 0.25)
    spots = points[chosen, None, :] + at[None, :, None] * normals[chosen, None, :]
    profiles = volume.sample(spots)
    profiles = profiles[np.isfinite(profiles).all(axis=1)]
    profiles = profiles[profiles.max(axis=1) > LEAST_CORTEX_HU]
    if len(profiles) < LEAST_EDGES:
        return None, None

    def model(x: Floats, edge: float, wall: float, height: float, out: float, inner: float, sd: float) -> Floats:
        rise = special.ndtr((edge - x) / sd)
        fall = special.ndtr((edge - wall - x) / sd)
        return np.asarray(out + (height - out) * rise + (inner - height) * fall)

    fitted: list[tuple[float, float]] = []
    order = np.argsort(profiles.max(axis=1))
    for group in np.array_split(order, max(min(len(order) // 30, 14), 1)):
        mean = np.median(profiles[group], axis=0)
        start = (0.0, 3.0, float(mean.max()), float(mean[-4:].mean()), float(mean[:4].mean()), 0.7)
        bounds = ([-1.5, 0.5, 300, -300, -300, 0.2], [1.5, 12.0, 4000, 300, 3000, 2.5])
        try:
            best, _ = optimize.curve_fit(model, at, mean, np.clip(start, *bounds), bounds=bounds, max_nfev=300)
        except (RuntimeError, ValueError):
            continue
        if best[1] > LEAST_WALL * best[5]:
            fitted.append((float(best[5]), float(best[2])))
    if len(fitted) < 2:
        return None, None
    blur = float(np.median([sd for sd, _ in fitted]))
    heights = np.array([height for _, height in fitted])
    cortex = Tissue(float(np.median(heights)), float(heights.std() / np.sqrt(len(heights))), float(len(profiles)))
    return blur, cortex
