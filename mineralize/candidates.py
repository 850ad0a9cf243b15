"""Where the lesion could be: mineral that is not skeleton."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Candidate:
    """One structure that could be the lesion; ``point`` is LPS mm in scan ``scan``, inside or on it."""

    number: int
    scan: int
    point: tuple[float, float, float]
    volume_mm3: float
    mass_mg: float
    extent_mm: float
    bone_distance_mm: float
    score: float
    why: str
