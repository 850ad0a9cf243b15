"""One rigid plastic head scanned at three tilts and with two kernels: how well scans of one thing agree.

The phantom lay still by eye, but nobody measured that: closed loops of alignments (there and back, round by a third
scan) must come out as nothing whatever it did; so must the two kernels, which are the same exposure.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from scipy import ndimage

from mineralize import timeline
from mineralize.align import Alignment, align
from mineralize.base import Rigid, Settings
from mineralize.lesion import SeenScan, look_at

FOLDER = "philips-head-phantom"
SOURCE = "plastic head, neurolabusc/dcm_qa_ct (Paul Morgan), BSD 2-Clause"
SCANS = {
    "upright 5 mm": "A_untilted_5mm.zip",
    "tilt -18.5": "B_tilt_minus18.5.zip",
    "tilt +16.5": "C_tilt_plus16.5.zip",
    "soft 1 mm": "D_untilted_1mm_softkernel_slab.zip",
    "sharp 1 mm": "E_untilted_1mm_bonekernel_slab.zip",
}
PAIRS = (
    ("tilt -18.5", "tilt +16.5"),
    ("tilt +16.5", "tilt -18.5"),
    ("tilt -18.5", "upright 5 mm"),
    ("tilt +16.5", "upright 5 mm"),
    ("sharp 1 mm", "soft 1 mm"),
)


@dataclass(frozen=True)
class Kernels:
    """Means in HU over the same voxels in both kernels, noise, blur, and the volume over 300 HU in mm3."""

    plastic_hu: tuple[float, float]
    bone_hu: tuple[float, float]
    noise_hu: tuple[float, float]
    blur_mm: tuple[float, float]
    over_300_mm3: tuple[float, float]


@dataclass(frozen=True, eq=False)
class HeadResult:
    """Alignments by (moving, fixed), the loops in mm, and the kernels."""

    seen: dict[str, SeenScan]
    found: dict[tuple[str, str], Alignment]
    points: Any
    kernels: Kernels

    def loop_mm(self, *steps: tuple[str, str]) -> float:
        """Largest distance from where it started of any point taken round a chain of alignments."""
        moved = self.points
        for step in steps:
            moved = self.transform(step).apply(moved)
        return float(np.linalg.norm(moved - self.points, axis=1).max())

    def transform(self, step: tuple[str, str]) -> Rigid:
        """The alignment of a pair, or the inverse of the opposite one."""
        if step in self.found:
            return self.found[step].transform
        return self.found[step[1], step[0]].transform.inverse()

    def lines(self) -> list[str]:
        lines = ["", f"head: {SOURCE}"]
        for name, seen in self.seen.items():
            r, spacing, kind = seen.reference, seen.volume.grid.spacing, seen.scan.acquisition.kernel_class
            lines.append(
                f"  {name:<14}{spacing[0]:5.2f} mm slices, {spacing[2]:.3f} mm pixels, kernel {kind:<6}"
                f" noise {r.noise_hu:5.1f} HU, in 4 mm cubes {r.noise_4mm_hu:4.1f}, blur {r.blur_sd_mm:.2f} mm"
            )
        for (moving, fixed), a in self.found.items():
            shift = a.transform.apply(self.points) - self.points
            lines.append(
                f"  {moving} on {fixed}: {a.trust} ({a.reason}); residual {a.residual_mm:.2f} mm, "
                f"turn {turn_degrees(a.transform):.2f} degrees, moves the head by "
                f"{np.linalg.norm(shift, axis=1).mean():.2f} mm"
            )
        b, c, u = "tilt -18.5", "tilt +16.5", "upright 5 mm"
        lines.append(f"  there and back (-18.5, +16.5, -18.5): {self.loop_mm((b, c), (c, b)):.2f} mm at most")
        third = self.loop_mm((b, u), (u, c), (c, b))
        lines.append(f"  round by the upright scan (-18.5, upright, +16.5, -18.5): {third:.2f} mm at most")
        k = self.kernels
        for words, (soft, sharp), unit in (
            ("plastic without bone, mean", k.plastic_hu, "HU"),
            ("bone of the phantom, mean", k.bone_hu, "HU"),
            ("noise", k.noise_hu, "HU"),
            ("blur estimate", k.blur_mm, "mm"),
            ("volume over 300 HU", k.over_300_mm3, "mm3"),
        ):
            lines.append(f"  {words:<28}soft {soft:8.2f}  sharp {sharp:8.2f}  difference {sharp - soft:+.2f} {unit}")
        return lines


def turn_degrees(motion: Rigid) -> float:
    """Angle of the rotation."""
    return float(np.degrees(np.arccos(np.clip((np.trace(motion.matrix[:3, :3]) - 1) / 2, -1, 1))))


def run_head(root: Path) -> HeadResult:
    """Read the five scans, align the pairs, compare the kernels."""
    settings = Settings()
    seen = {n: look_at(timeline.read(root / FOLDER / file).scans[0], settings) for n, file in SCANS.items()}
    points = common_points(seen["tilt -18.5"], seen["tilt +16.5"])
    found = {(m, f): _aligned(seen[m], seen[f], points.mean(axis=0)) for m, f in PAIRS}
    return HeadResult(seen, found, points, kernels(seen["soft 1 mm"], seen["sharp 1 mm"]))


def common_points(one: SeenScan, other: SeenScan) -> Any:
    """Corners (8, 3) of the box of bone seen in both scans."""
    a, b = one.skeleton.points, other.skeleton.points
    low = np.maximum(np.percentile(a, 5, axis=0), np.percentile(b, 5, axis=0))
    high = np.minimum(np.percentile(a, 95, axis=0), np.percentile(b, 95, axis=0))
    ends = np.stack([low, high])
    return np.array([[ends[i, 0], ends[j, 1], ends[k, 2]] for i in (0, 1) for j in (0, 1) for k in (0, 1)])


def _aligned(moving: SeenScan, fixed: SeenScan, middle: Any) -> Alignment:
    bone = moving.skeleton.nearest_bone(middle)
    point = middle if bone is None else moving.skeleton.points[_nearest(moving.skeleton.points, middle)]
    return align(
        2, moving.volume, moving.skeleton, fixed_scan_no=1, fixed=fixed.volume, fixed_skeleton=fixed.skeleton,
        lesion_point=point, lesion_radius_mm=12.0, settings=moving.settings.align,
    )  # fmt: skip


def _nearest(points: Any, at: Any) -> int:
    return int(np.argmin(np.linalg.norm(points - at, axis=1)))


def kernels(soft: SeenScan, sharp: SeenScan) -> Kernels:
    """The same slices in a soft and a sharp kernel."""
    a, b = (s.volume.hu.astype(np.float32) for s in (soft, sharp))
    steady = ndimage.gaussian_filter(a, (0, 2, 2))
    plain = ndimage.binary_erosion((steady > 60) & (steady < 140), np.ones((1, 3, 3)), iterations=4)
    bone = ndimage.binary_erosion(steady > 500, np.ones((1, 3, 3)), iterations=2)
    cell = soft.volume.grid.voxel_volume_mm3
    return Kernels(
        (float(a[plain].mean()), float(b[plain].mean())),
        (float(a[bone].mean()), float(b[bone].mean())),
        (soft.reference.noise_hu, sharp.reference.noise_hu),
        (soft.reference.blur_sd_mm, sharp.reference.blur_sd_mm),
        (float((a > 300).sum()) * cell, float((b > 300).sum()) * cell),
    )
