"""A checked series to a volume."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import SeriesError
from ..scan import Volume
from . import resample, workers
from .slices import PADDED_HU, OutOfRange, read_slice
from .stack import Stack

CORES = os.cpu_count() or 1


@dataclass(frozen=True, eq=False)
class DicomSource:
    """Reads one series; picklable, holds no pixels."""

    stack: Stack
    label: str

    def read(self) -> Volume:
        """The volume in HU: int16 where every value is a whole number in range, else float32.

        Raises
        ------
        SeriesError
            when pixels cannot be read or decoded.
        """
        images = self.stack.images
        exact = all(float(i.slope).is_integer() and float(i.intercept).is_integer() for i in images)
        straight = self.stack.shear is None and self.stack.heights is None
        shape = (len(images), images[0].coding.rows, images[0].coding.columns)
        try:
            if exact and straight:
                try:
                    hu = self._fill(np.empty(shape, np.int16))
                except OutOfRange:
                    hu = self._fill(np.empty(shape, np.float32))
            else:
                hu = self._fill(np.empty(shape, np.float32))
        except MemoryError:
            raise SeriesError(f"{self.label}: too large for the memory", "size", "use a machine with more") from None
        if not straight:
            hu = resample.upright(hu, self.stack, PADDED_HU)
        return Volume(hu, self.stack.grid)

    def _fill(self, out: NDArray[Any]) -> NDArray[Any]:
        images = self.stack.images
        if workers.worth_it(images, CORES):
            workers.fill(images, out, self.label, CORES)
            return out

        def one(index: int) -> None:
            read_slice(images[index], out[index], self.label, index + 1)

        with ThreadPoolExecutor(min(CORES, 4, len(images))) as pool:
            for _ in pool.map(one, range(len(images))):
                pass
        return out
