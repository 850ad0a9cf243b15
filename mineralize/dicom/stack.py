"""A checked series: its slices in order and the grid its voxels lie on."""

from __future__ import annotations

from dataclasses import dataclass

from ..base import Floats, Grid, Note
from .image import Image


@dataclass(frozen=True, eq=False)
class Shear:
    """Gantry tilt: every slice is shifted within its plane.

    ``rows`` and ``columns`` are (slices,) shifts in pixels of each slice against the upright grid: the value of
    upright row r of slice k is found at row ``r - rows[k]`` of the slice as stored.
    """

    rows: Floats
    columns: Floats
    degrees: float


@dataclass(frozen=True, eq=False)
class Stack:
    """Slices in order along the normal.

    ``grid`` is the grid of the volume that reading gives, after the steps that ``shear`` (tilt) and ``heights``
    (unequal distances: positions of the slices in units of the grid's slice spacing) ask for.
    """

    images: tuple[Image, ...]
    grid: Grid
    notes: tuple[Note, ...] = ()
    shear: Shear | None = None
    heights: Floats | None = None
