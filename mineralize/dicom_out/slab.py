"""What is marked in each scan, voxel by voxel, as masks: all that its segmentation asks of its voxels."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..base import to_hu120
from ..lesion import boxed_masks
from ..reference import table_slope
from ..study import Study
from .identity import Identity

SOFT_HU = 50.0
"""Muscle, where the scan's own muscle was withheld (Goodpaster 2000: 49 HU)."""


@dataclass(frozen=True, eq=False)
class Slab:
    """Boolean masks by name of some slices of a scan, held as the box outside which nothing is marked.

    ``first`` is the slice of the scan's grid at which they begin, ``shape`` their own (slices, rows, columns),
    ``window`` where the ``boxes`` lie in it.
    """

    first: int
    shape: tuple[int, ...]
    window: tuple[slice, slice, slice]
    boxes: Mapping[str, NDArray[np.bool_]]

    @classmethod
    def of(cls, first: int, masks: Mapping[str, NDArray[np.bool_]]) -> Slab:
        """The box of what is marked in masks (slices, rows, columns) over whole slices, the first being ``first``."""
        marked = np.logical_or.reduce(list(masks.values()))
        spans = [np.flatnonzero(marked.any(axis=tuple(a for a in range(3) if a != axis))) for axis in range(3)]
        z, y, x = (slice(int(span[0]), int(span[-1]) + 1) if len(span) else slice(0, 0) for span in spans)
        return cls(first, marked.shape, (z, y, x), {name: mask[z, y, x].copy() for name, mask in masks.items()})

    @property
    def masks(self) -> dict[str, NDArray[np.bool_]]:
        """The masks (slices, rows, columns) over whole slices, laid out anew."""
        found = {name: np.zeros(self.shape, bool) for name in self.boxes}
        for name, box in self.boxes.items():
            found[name][self.window] = box
        return found


def slab(study: Study, number: int) -> Slab:
    """Masks ``lesion``, ``rim``, ``core`` and ``mineral`` over the slices that the outline spans in one scan.

    Mineral is what reaches the threshold at 120 kVp equivalent inside the lesion, as in ``mineral_volume``.

    Raises
    ------
    KeyError
        when the lesion was not outlined in that scan.
    """
    outline = next((o for o in study.outlines if o is not None and o.scan == number), None)
    if outline is None:
        raise KeyError(f"the lesion was not outlined in scan {number}")
    scan = study.timeline.scan(number)
    (first, last), *_ = scan.grid.bounds_around(outline.vertices, float(scan.grid.spacing[0]))
    planes = scan.grid.cropped(((first, last), (0, scan.grid.shape[1]), (0, scan.grid.shape[2])))
    window, found = boxed_masks(outline, planes, study.settings.zones)
    muscle = study.measurement(number, "reference_muscle")
    soft = SOFT_HU if muscle is None or muscle.value is None else muscle.value
    lesion = found["lesion"]
    reference = study.reference(number)
    own_slope = (reference or table_slope(scan.acquisition, study.settings.mineral)).slope
    hu120 = to_hu120(scan.volume.hu[first:last][window][lesion].astype(np.float32), soft, own_slope)
    mineral = np.zeros(lesion.shape, bool)
    mineral[lesion] = hu120 >= study.settings.mineral.threshold_hu120
    boxes = {"lesion": lesion, "rim": found["rim"], "core": found["core"], "mineral": mineral}
    return Slab(first, planes.shape, window, boxes)


def slabs(study: Study, identity: Identity) -> dict[int, Slab]:
    """The masks of every scan that a segmentation is written of, by scan number: all that is asked of its voxels.

    Raises
    ------
    SeriesError
        where voxels are read again and cannot be.
    """
    found = {}
    for outline in study.outlines:
        scan = None if outline is None else study.timeline.scan(outline.scan)
        if scan is None or identity.refusal(scan):
            continue
        held = "volume" in scan.__dict__
        found[scan.number] = slab(study, scan.number)
        scan.volume.rest()
        if not held:
            scan.forget()
    return found
