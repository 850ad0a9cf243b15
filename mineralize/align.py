"""Lining up one scan on another by the skeleton."""

from __future__ import annotations

from dataclasses import dataclass

from .geometry import Rigid
from .scan import Trust


@dataclass(frozen=True)
class Alignment:
    """Where one scan lies on the reference scan.

    ``transform`` maps LPS mm of ``scan`` to LPS mm of ``reference_scan``. ``residual_mm`` is the trimmed
    root-mean-square distance of bone surfaces, ``overlap`` the share (0..1) of the moving bone surface that lies
    inside the reference scan. ``predicted_sd_mm`` is the standard error at the lesion from the fit itself,
    ``turn_sd_mm`` and ``slide_sd_mm`` its parts about and along the bone axis, at the lesion.
    """

    scan: int
    reference_scan: int
    transform: Rigid
    residual_mm: float
    overlap: float
    trust: Trust
    reason: str
    predicted_sd_mm: float = 0.0
    turn_sd_mm: float = 0.0
    slide_sd_mm: float = 0.0
    bone_used: str = ""
