"""Single scans drawn up by hand, one property at a time: for the outline, and for what the scanner does to mineral."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from phantoms import History

WIDEST_MM = 56.0
FIELD_PIXELS = 512
"""Columns of a whole scan: the pixel is the field of view over these; only the limb is rendered."""

BASE_LESION: dict[str, Any] = {
    "longest_mm": 36.0, "shell_mm": 1.8, "coverage": 0.85, "mineral_mg": 450.0, "lobes": 0.03, "gap_mm": 6.0,
    "level": 0.0, "soft_hu": -6.0, "core_fat": 0.0, "core_fluid": 0.0, "haze_mg": 0.0, "flocculent": 0.0,
    "fuzz_mm": 0.5, "slim": 0.85, "flat": 0.75, "lobe_pitch": 3.0,
}  # fmt: skip
BASE_SCAN: dict[str, Any] = {"kvp": 120.0, "slice_mm": 1.25, "pixel_mm": 0.75, "noise": 12.0, "kernel": "soft"}

OUTLINES: dict[str, dict[str, Any]] = {
    **{f"size-{v}": {"longest_mm": float(v)} for v in (10, 14, 20, 30, 45, 65, 90, 120)},
    **{f"shell-{v:g}": {"shell_mm": v} for v in (0.8, 1.2, 2.5, 4.0, 6.0)},
    **{f"thin-open-{v:g}": {"shell_mm": v, "coverage": 0.6} for v in (0.8, 1.2)},
    **{f"complete-{v:g}": {"coverage": v} for v in (0.3, 0.4, 0.5, 0.6, 0.7, 1.0)},
    **{f"lobes-{v:g}": {"lobes": v, "lobe_pitch": 4.0} for v in (0.06, 0.1, 0.14)},
    "long": {"longest_mm": 60.0, "slim": 0.4, "flat": 0.35},
    "flat": {"slim": 0.9, "flat": 0.4},
    "flocculent": {"flocculent": 0.7, "lobes": 0.06},
    "fatty-core": {"core_fat": 0.85, "shell_mm": 2.4, "coverage": 0.95},
    "faint": {"mineral_mg": 190.0, "coverage": 0.8},
    **{f"bone-gap-{v:g}": {"gap_mm": v} for v in (0.5, 1.5, 3.0)},
    **{f"bone-into-{v:g}": {"gap_mm": -v} for v in (1.0, 3.0)},
    **{f"flare-{v:g}": {"gap_mm": v, "level": -60.0} for v in (1.5, 6.0)},
    "thick-2.5": {"slice_mm": 2.5, "coverage": 0.7},
    "thick-5": {"slice_mm": 5.0, "coverage": 0.7},
    "noisy": {"noise": 35.0, "kernel": "sharp", "coverage": 0.7},
    **{f"no-mineral-{-v}": {"mineral_mg": 0.0, "soft_hu": float(v)} for v in (0, -5, -15, -25, -40)},
    "no-mineral-small": {"mineral_mg": 0.0, "soft_hu": -30.0, "longest_mm": 16.0},
    "no-mineral-large": {"mineral_mg": 0.0, "soft_hu": -30.0, "longest_mm": 80.0},
    "no-mineral-at-bone": {"mineral_mg": 0.0, "soft_hu": -30.0, "gap_mm": 0.5},
}  # fmt: skip
"""Name to what differs from the base lesion and scan."""

SWEPT: dict[str, dict[str, Any]] = {
    "shell": {"longest_mm": 34.0, "shell_mm": 2.2, "coverage": 0.9},
    "thin-fatty": {"longest_mm": 30.0, "shell_mm": 1.0, "coverage": 0.9, "core_fat": 0.7, "mineral_mg": 600.0},
}
SWEEP_SCAN: dict[str, Any] = {**BASE_SCAN, "slice_mm": 1.5, "field_mm": 400.0}
FACTORS: dict[str, tuple[tuple[Any, ...], str]] = {
    "kvp": ((80.0, 100.0, 120.0, 140.0), "kV"),
    "slice_mm": ((0.6, 1.0, 1.5, 2.0, 3.0), "mm"),
    "kernel": (("soft", "medium", "sharp"), ""),
    "noise": ((5.0, 12.0, 20.0, 40.0), "HU"),
    "field_mm": ((350.0, 400.0, 500.0, 600.0, 700.0), "mm"),
}
"""What is swept, its values, its unit; the base lies among them."""
CORNERS: dict[str, dict[str, Any]] = {
    "corner-coarse": {"kvp": 140.0, "slice_mm": 3.0, "field_mm": 700.0, "noise": 40.0},
    "corner-fine": {"kvp": 80.0, "slice_mm": 0.6, "field_mm": 350.0, "kernel": "sharp", "noise": 40.0},
    "corner-low-thick": {"kvp": 80.0, "slice_mm": 3.0, "kernel": "sharp", "noise": 25.0},
    "corner-high-thin": {"kvp": 140.0, "slice_mm": 1.0, "field_mm": 600.0, "noise": 8.0},
}


TRUTHS: dict[tuple[str, int, float, str], dict[int, dict[str, float]]] = {}
"""Truth by lesion, seed, voltage and kernel, the only settings of a sweep that it depends on."""


def single(name: str, seed: int, given: Mapping[str, Any]) -> History:
    """One scan of one lesion in muscle beside a shaft.

    ``longest_mm`` is the long axis, ``slim`` and ``flat`` the others as shares of it (no wider than 56 mm); ``gap_mm``
    from the bone, negative where it reaches into it; ``level`` -60 lies beside the flare. The rest are fields of
    `phantoms.lesion.Lesion` and scan settings.
    """
    asked = {**BASE_LESION, **BASE_SCAN, **given}
    longest = asked["longest_mm"]
    wide, deep = (min(asked[k] * longest, WIDEST_MM) / 2 for k in ("slim", "flat"))
    shell = min(asked["shell_mm"], 0.45 * deep)
    bone_radius, fat, deg = 13.0, 8.0, 200.0
    needed = 1.5 * bone_radius * (1.5 if asked["level"] < -40 else 1) + asked["gap_mm"] + 2 * wide + fat + 10
    opposite = bone_radius + 22.0
    radius = max((needed + opposite) / 2 * 1.08, 48.0)
    off = min((needed - opposite) / 2, 0.6 * radius) if needed > opposite else 4.0
    centre = [off * math.cos(math.radians(deg)), off * math.sin(math.radians(deg))]
    lesion: dict[str, Any] = {
        "place": {"deg": deg, "z": asked["level"], "gap_mm": asked["gap_mm"]},
        "radii": [wide, deep, longest / 2],
        "angles": [8.0, -6.0, 40.0],
        "shape_seed": 21,
        "shell_mm": shell,
    }
    for key in ("coverage", "mineral_mg", "lobes", "lobe_pitch", "soft_hu", "core_fat", "core_fluid", "haze_mg"):
        lesion[key] = asked[key]
    lesion.update(flocculent=asked["flocculent"], fuzz_mm=asked["fuzz_mm"])
    pixel = asked["field_mm"] / FIELD_PIXELS if "field_mm" in asked else asked["pixel_mm"]
    scan = {k: asked[k] for k in ("kvp", "slice_mm", "noise", "kernel")}
    scan.update(
        day=0, pixel_mm=pixel, matrix=int(math.ceil(2.3 * radius / pixel / 8) * 8), recons=[],
        slices=math.ceil((longest + 60.0) / asked["slice_mm"]),
    )  # fmt: skip
    table = {
        "summary": "drawn up by hand",
        "limb": {"centre": centre, "radius": radius, "fat": fat, "bellies": 8,
                 "vessels": [{"at": [centre[0] + 0.3 * radius, centre[1] + 0.6 * radius], "radius": 3.0}]},
        "bone": {"radius": bone_radius, "cortex": 0.42 * bone_radius},
        "jitter": {"size": 0.0, "level_mm": 4.0},
        "lesion": lesion,
        "scans": [scan],
    }  # fmt: skip
    return History(name, seed, table)


def outline_variants() -> list[str]:
    return list(OUTLINES)


def outline_case(variant: str, seed: int) -> History:
    """A lesion for the outline, by its name in `OUTLINES`."""
    return single("outline", seed, OUTLINES[variant])


def sweep_settings() -> dict[str, dict[str, Any]]:
    """Name to scan settings: the base, every factor on its own, and the corners."""
    found: dict[str, dict[str, Any]] = {"base": {}}
    for factor, (values, _) in FACTORS.items():
        found.update({f"{factor}-{v}": {factor: v} for v in values if v != SWEEP_SCAN[factor]})
    return {**found, **CORNERS}


def sweep_variants() -> list[str]:
    return [f"{lesion}:{name}" for lesion in SWEPT for name in sweep_settings()]


def sweep_case(variant: str, seed: int) -> History:
    """A lesion of `SWEPT` at settings of `sweep_settings`, as ``lesion:settings``."""
    lesion, _, name = variant.partition(":")
    settings = {**SWEEP_SCAN, **sweep_settings()[name]}
    history = single(f"sweep-{lesion}", seed, {**SWEPT[lesion], **settings})
    known = TRUTHS.setdefault((lesion, seed, settings["kvp"], settings["kernel"]), {})
    history.__dict__["_kept"] = known  # what `History.truth` fills: slices, noise and field do not enter it
    return history
