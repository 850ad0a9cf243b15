"""The closed outer surface of the lesion in one scan."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from numpy.typing import NDArray

from .geometry import Floats
from .scan import Note, Trust


@dataclass(frozen=True, eq=False)
class Outline:
    """A closed triangle surface in LPS mm of its scan.

    ``vertices`` (V, 3); ``faces`` (F, 3) int, normals outward; ``supported`` (V,) in 0..1 says how far an edge in
    the image carried each vertex (0: bridged by its neighbours); ``method`` names what drew it
    (``"mineral shell"``, ``"mass margin"``, ``"mask"``); ``spread_mm`` is the 95 % half-width of its position.
    """

    scan: int
    vertices: Floats
    faces: NDArray[Any]
    supported: Floats
    method: str
    spread_mm: float
    trust: Trust
    reason: str
    notes: tuple[Note, ...] = ()
