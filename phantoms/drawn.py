"""Random histories from a declared distribution, for validation on cases that nothing was tuned on."""

from __future__ import annotations

from typing import Any

import numpy as np

from .history import History

DISTRIBUTION: dict[str, tuple[float, float]] = {
    "longest_mm": (10.0, 120.0),  # log-uniform
    "width_share": (0.55, 1.0),  # of the longest; narrowed so that no lesion is wider than 56 mm
    "shell_mm": (0.8, 6.0),  # log-uniform, at most 0.45 of the half width
    "mineral_mg": (180.0, 850.0),
    "coverage": (0.3, 1.0),
    "fuzz_mm": (0.3, 1.0),
    "lobes": (0.0, 0.10),
    "flocculent": (0.2, 0.8),  # in 30 % of the histories
    "core_fat": (0.0, 0.9),
    "haze_mg": (0.0, 5.0),
    "oedema_hu": (0.0, 20.0),
    "gap_far_mm": (3.0, 15.0),  # half of the histories
    "gap_near_mm": (0.5, 3.0),  # a quarter
    "gap_touching_mm": (-4.0, 0.0),  # a quarter
    "slice_mm": (0.6, 3.0),  # log-uniform
    "pixel_mm": (0.5, 1.0),
    "noise": (5.0, 40.0),  # log-uniform
    "scale_change": (0.92, 1.08),
    "mineral_change": (0.9, 1.5),
    "shell_change": (0.95, 1.3),
}
"""Uniform ranges unless said otherwise. Tube voltage 80, 100, 120 or 140 and a soft, medium or sharp kernel are drawn
for each scan; 20 % lie beside the flare, 8 % have reversed zoning, 4 % no mineral, 15 % are scanned prone."""


def random_history(seed: int, scans: int = 2) -> History:
    """A history of ``scans`` scans drawn by ``seed`` from `DISTRIBUTION`."""
    rng = np.random.default_rng([seed, 20_260_000])

    def uniform(name: str) -> float:
        return float(rng.uniform(*DISTRIBUTION[name]))

    def spread(name: str) -> float:
        low, high = DISTRIBUTION[name]
        return float(np.exp(rng.uniform(np.log(low), np.log(high))))

    longest = spread("longest_mm")
    widths = sorted((min(longest * uniform("width_share"), 56.0) for _ in range(2)), reverse=True)
    half = widths[1] / 2
    kind = ("far", "far", "near", "touching")[int(rng.integers(4))]
    gap = max(uniform(f"gap_{kind}_mm"), -0.4 * half)
    deg = float(rng.uniform(0, 360))
    beside_flare = rng.random() < 0.2
    level = -60.0 if beside_flare else float(rng.uniform(-10, 25))
    bone_radius = float(rng.uniform(9.0, 15.0))

    # a limb wide enough to hold bone, gap and lesion under its fat
    fat = float(rng.uniform(4.0, 10.0))
    needed = 1.5 * bone_radius + gap + widths[0] + fat + 10
    opposite = bone_radius + 22.0
    radius = max((needed + opposite) / 2 * 1.08, 46.0)
    off = min((needed - opposite) / 2, 0.6 * radius) if needed > opposite else 4.0
    centre = [off * float(np.cos(np.radians(deg))), off * float(np.sin(np.radians(deg)))]

    shell = min(spread("shell_mm"), 0.45 * half)
    coverage, mineral = uniform("coverage"), uniform("mineral_mg")
    if rng.random() < 0.3:
        coverage = 1.0
    lesion: dict[str, Any] = {
        "place": {"deg": deg, "z": level, "gap_mm": gap},
        "radii": [widths[0] / 2, half, longest / 2],
        "angles": [float(v) for v in rng.uniform(-20, 20, 2)] + [float(rng.uniform(0, 180))],
        "lobes": uniform("lobes"),
        "lobe_pitch": float(rng.uniform(2.5, 4.5)),
        "shape_seed": int(rng.integers(1, 90)),
        "fuzz_mm": uniform("fuzz_mm"),
        "shell_uneven": float(rng.uniform(0, 0.3)),
        "mineral_uneven": float(rng.uniform(0, 0.25)),
        "flocculent": uniform("flocculent") if rng.random() < 0.3 else 0.0,
        "fleck_mm": float(rng.uniform(4, 8)),
        "gaps": [[float(v) for v in rng.normal(size=3)] for _ in range(int(rng.integers(1, 4)))],
        "haze_mg": uniform("haze_mg"),
        "core_fat": uniform("core_fat") * float(rng.random() < 0.6),
        "soft_hu": float(rng.uniform(-22, -6)),
        "oedema_hu": uniform("oedema_hu"),
    }
    fate = rng.random()
    if fate < 0.08:
        lesion.update(coverage=0.0, centre_mg=mineral * 0.7, haze_mg=0.0, core_fat=0.0)
        mineral, shell = 0.0, 1.0
    elif fate < 0.12:
        lesion.update(haze_mg=0.0, core_fat=0.0, soft_hu=-25.0)
        mineral = 0.0
    days = [0.0, 60.0 * max(scans - 1, 1)]
    lesion["course"] = {
        "day": days,
        "scale": [1.0, uniform("scale_change")],
        "shell_mm": [shell, min(shell * uniform("shell_change"), 6.0)],
        "mineral_mg": [mineral, mineral * uniform("mineral_change")],
    }
    if fate >= 0.08:
        lesion["course"]["coverage"] = [coverage, min(1.0, coverage + float(rng.uniform(0, 0.3)))]

    rows: list[dict[str, Any]] = []
    extent = max(120.0, longest + 60.0)
    for i in range(scans):
        pixel, spacing = round(uniform("pixel_mm"), 3), round(spread("slice_mm"), 2)
        rows.append(
            {
                "day": 60 * i,
                "kvp": float(rng.choice([80, 100, 120, 140])),
                "kernel": str(rng.choice(["soft", "soft", "medium", "sharp"])),
                "noise": spread("noise"),
                "pixel_mm": pixel,
                "matrix": int(np.ceil(2.3 * radius / pixel / 8) * 8),
                "slice_mm": spacing,
                "slices": int(np.ceil(extent / spacing)),
                "prone": bool(rng.random() < 0.15),
                "recons": [],
            }
        )
    beside = {"at": [centre[0] - 0.5 * off + 20, centre[1] + 0.55 * radius], "radius": float(rng.uniform(2, 4))}
    bellies = int(rng.integers(6, 10))
    table = {
        "summary": "drawn at random",
        "limb": {"centre": centre, "radius": radius, "fat": fat, "bellies": bellies, "vessels": [beside]},
        "bone": {"radius": bone_radius, "cortex": 0.42 * bone_radius, "bow": [float(rng.uniform(-3, 3)), -5.0]},
        "lesion": lesion,
        "scans": rows,
    }  # fmt: skip
    return History("random", seed, table)
