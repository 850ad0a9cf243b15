"""Lining up one scan on another by the skeleton."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from .geometry import Rigid
from .scan import Trust, Volume
from .settings import AlignSettings
from .skeleton import Skeleton


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


def align(
    moving_scan_no: int,
    moving: Volume,
    moving_skeleton: Skeleton,
    fixed_scan_no: int,
    fixed: Volume,
    fixed_skeleton: Skeleton,
    *,
    lesion_point: Any,
    lesion_radius_mm: float,
    settings: AlignSettings,
) -> Alignment:
    """Line up ``moving`` on ``fixed`` by the bone nearest the lesion.

    ``lesion_point`` is LPS mm in ``fixed``. The returned transform maps LPS mm of ``moving`` to LPS mm of ``fixed``.
    """
    return Alignment(
        moving_scan_no, fixed_scan_no, Rigid.identity(), float("nan"), 0.0, "withheld", "the scans were not lined up"
    )
