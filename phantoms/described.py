"""Descriptions of histories: their defaults, and reading them from TOML."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import fields
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
SCAN_DEFAULTS: dict[str, Any] = {
    "day": 0, "kvp": 120.0, "kernel": "soft", "matrix": 192, "pixel_mm": 0.9, "slices": 110, "slice_mm": 1.5,
    "thickness_mm": 0.0, "noise": 12.0, "prone": False, "contrast": False, "fov_shift": [0.0, 0.0], "motion_mm": 0.0,
    "streaks": False, "mirrored": False, "patient": 0, "level_shift": 0.0, "table": True, "circle": False,
    "recons": ["thick"],
    "slid_mm": [0.0, 0.0, 0.0], "slid_turn_deg": 0.0,
    "lesion_absent": False, "part": "", "identity": 0,
}  # fmt: skip
JITTER_DEFAULTS: dict[str, float] = {
    "turn_deg": 60.0, "tilt_deg": 4.0, "shift_mm": 40.0, "slide_mm": 80.0, "fov_mm": 8.0, "level_mm": 12.0,
    "size": 0.05, "position_mm": 2.0, "noise": 0.15, "tissue_hu": 3.0, "soft_tissue_mm": 1.0,
}  # fmt: skip


class HistoryError(ValueError):
    """A history that does not exist or whose description cannot be used."""


def build_from(kind: type[Any], entry: Mapping[str, Any]) -> Any:
    known = {f.name for f in fields(kind)}
    unknown = sorted(set(entry) - known)
    if unknown:
        raise HistoryError(f"{kind.__name__}: unknown {', '.join(unknown)}")
    return kind(**{k: tupled(v) for k, v in entry.items()})


def tupled(value: Any) -> Any:
    return tuple(tupled(v) for v in value) if isinstance(value, list) else value


def three(values: Iterable[float]) -> tuple[float, float, float]:
    x, y, z = (float(v) for v in values)
    return x, y, z


def read_description(path: Path) -> dict[str, Any]:
    """The description in ``path``, laid over the one it names as ``base``."""
    table = tomllib.loads(path.read_text(encoding="utf-8"))
    base = table.pop("base", None)
    return _laid_over(read_description(HERE / f"{base}.toml"), table) if base else table


def _laid_over(below: Mapping[str, Any], above: Mapping[str, Any]) -> dict[str, Any]:
    out = dict(below)
    for key, value in above.items():
        both = isinstance(value, Mapping) and isinstance(out.get(key), Mapping)
        if key == "scans":
            # scan by scan, so that a history can spoil one scan of its base
            own = [*out.get(key, [])]
            out[key] = [{**(own[n] if n < len(own) else {}), **v} for n, v in enumerate(value)]
        else:
            out[key] = _laid_over(out[key], value) if both else value
    return out
