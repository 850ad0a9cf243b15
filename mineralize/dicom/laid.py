"""The slices of a series laid in order, and the doubts that comparing what they say of themselves gives."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from ..base import Floats
from .image import Image

SAME_SHARE = 0.003
"""Lengths that differ by less are the same: half a per cent in volume is what must not pass in silence."""


@dataclass(frozen=True, eq=False)
class Laid:
    """The slices of one part in order along the normal; lengths in mm, directions as unit vectors."""

    label: str
    images: tuple[Image, ...]
    positions: Floats
    heights: Floats
    across: Floats
    down: Floats
    normal: Floats
    spacing: float
    tilted: bool

    @property
    def first(self) -> Image:
        return self.images[0]

    @property
    def steps(self) -> tuple[float, float]:
        """The distance of slices along the normal, and along the table where the stack leans."""
        whole = float(np.linalg.norm(self.positions[-1] - self.positions[0])) / (len(self.images) - 1)
        return self.spacing, whole


@dataclass(frozen=True)
class Doubt:
    """A contradiction in words; ``refused`` when the series cannot be read in spite of it.

    ``code`` stands instead of the check's own where there was nothing to compare with.
    """

    text: str
    level: Literal["info", "caution", "refused"] = "caution"
    code: str = ""
