"""Outlines kept between runs of the program: for the page's pictures, and to place a biopsy without measuring again.

Plain arrays only (``.npz`` without pickles): what lies in a case folder must never be able to run.
"""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np

from ..align import Alignment
from ..base import KINDS, Grid, Rigid, Verdict, ZoneSettings
from ..lesion import Outline, find_zones
from ..measure import RimMap
from .shelf import write_whole

DEPTH_MM = 1.0
"""Grid on which the depth below the outline is sent; borders of rim and core are drawn where it reaches their depth."""
DEPTH_MARGIN_MM = 4.0


def keep_outline(outline: Outline, rim: RimMap | None, zones: ZoneSettings, place: Path, name: str) -> dict[str, Any]:
    """Write one outline and what the page draws of it; returns what the page is told."""
    grid, depth, inradius, borders = _depth(outline, zones)
    mesh = outline.vertices.astype("<f4").tobytes() + outline.faces.astype("<u4").tobytes()
    mesh += np.clip(outline.supported, 0, 1).astype("<f4").tobytes()
    write_whole(place / f"{name}.mesh", mesh)
    write_whole(place / f"{name}.depth", np.clip(np.rint(depth * 100), -32768, 32767).astype("<i2").tobytes())
    arrays: dict[str, Any] = {
        "vertices": outline.vertices,
        "faces": outline.faces,
        "supported": outline.supported,
    }
    if rim is not None:
        arrays |= {
            "direction": rim.direction,
            "area_mm2": rim.area_mm2,
            "peak_hu120": rim.peak_hu120,
            "thickness_mm": rim.thickness_mm,
            "state": rim.state,
        }
    held = io.BytesIO()
    np.savez(held, **arrays)
    write_whole(place / f"{name}.npz", held.getvalue())
    return {
        "name": name,
        "scan": outline.scan,
        "vertices": len(outline.vertices),
        "faces": len(outline.faces),
        "method": outline.method,
        "spread_mm": round(float(outline.spread_mm), 3),
        "trust": outline.trust,
        "reason": outline.reason,
        "verdicts": [[v.code, v.trust, [list(pair) for pair in v.numbers]] for v in outline.verdicts],
        "volume_mm3": round(outline.volume_mm3, 1),
        "centroid": [round(float(v), 3) for v in outline.centroid],
        "inradius_mm": round(inradius, 3),
        "rim_mm": round(borders[0], 3),
        "core_mm": round(borders[1], 3),
        "depth": {"shape": list(grid.shape), "affine": [round(float(v), 6) for v in grid.affine.ravel()]},
        "rim": rim is not None,
    }


def _depth(outline: Outline, zones: ZoneSettings) -> tuple[Any, Any, float, tuple[float, float]]:
    low = outline.vertices.min(axis=0) - DEPTH_MARGIN_MM
    extent = np.ptp(outline.vertices, axis=0) + 2 * DEPTH_MARGIN_MM
    shape = (np.ceil(extent / DEPTH_MM).astype(int) + 1)[::-1]
    grid = Grid.from_parts(shape.tolist(), (DEPTH_MM,) * 3, low.tolist())
    found = find_zones(outline, grid, zones)
    return grid, found.depth, found.inradius_mm, (found.rim_depth_mm, found.core_depth_mm)


def outline_again(told: dict[str, Any], place: Path) -> tuple[Outline, RimMap | None]:
    """An outline and its rim map as they were kept.

    Raises
    ------
    OSError, ValueError, KeyError
        where the files are gone or damaged.
    """
    with np.load(place / f"{told['name']}.npz", allow_pickle=False) as arrays:
        held = {name: arrays[name] for name in arrays.files}
    outline = Outline(
        scan=int(told["scan"]),
        vertices=held["vertices"],
        faces=held["faces"],
        supported=held["supported"],
        method=str(told["method"]),
        spread_mm=float(told["spread_mm"]),
        verdicts=tuple(
            Verdict(code, trust, tuple((name, value) for name, value in numbers))
            for code, trust, numbers in told["verdicts"]
            if code in KINDS
        ),
    )
    if "state" not in held:
        return outline, None
    names = ("direction", "area_mm2", "peak_hu120", "thickness_mm", "state")
    return outline, RimMap(outline.scan, **{name: held[name] for name in names})


def told_alignment(alignment: Alignment) -> dict[str, Any]:
    """An alignment as the page is told it."""
    return {
        "scan": alignment.scan,
        "reference_scan": alignment.reference_scan,
        "matrix": [round(float(v), 9) for v in alignment.transform.matrix.ravel()],
        "residual_mm": _finite(alignment.residual_mm),
        "overlap": _finite(alignment.overlap),
        "trust": alignment.trust,
        "reason": alignment.reason,
        "predicted_sd_mm": _finite(alignment.predicted_sd_mm),
    }


def alignment_again(told: dict[str, Any]) -> Alignment:
    """An alignment as it was told."""
    sd = told["predicted_sd_mm"]
    return Alignment(
        int(told["scan"]),
        int(told["reference_scan"]),
        Rigid(np.asarray(told["matrix"], float).reshape(4, 4)),
        float("nan") if told["residual_mm"] is None else float(told["residual_mm"]),
        float("nan") if told["overlap"] is None else float(told["overlap"]),
        told["trust"],
        str(told["reason"]),
        predicted_sd_mm=float("nan") if sd is None else float(sd),
    )


def told_rim(rim: RimMap) -> dict[str, Any]:
    """The rim unwrapped, as plain lists: direction by vertex, peak, thickness (``None``: not mineralised), state."""
    return {
        "scan": rim.scan,
        "direction": [[round(float(v), 4) for v in row] for row in rim.direction],
        "peak": [None if not np.isfinite(v) else round(float(v)) for v in rim.peak_hu120],
        "thickness": [None if not np.isfinite(v) else round(float(v), 2) for v in rim.thickness_mm],
        "state": [int(v) for v in rim.state],
    }


def _finite(value: float) -> float | None:
    return round(float(value), 6) if np.isfinite(value) else None
