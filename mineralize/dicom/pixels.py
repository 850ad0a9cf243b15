"""A checked series to a volume."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..base import SeriesError, Volume, cores, laid_down
from . import resample, workers
from .slices import PADDED_HU, OutOfRange, read_slice
from .stack import Stack
from .values import quiet


@dataclass(frozen=True, eq=False)
class DicomSource:
    """Reads one series; picklable, holds no pixels."""

    stack: Stack
    label: str

    def read(self) -> Volume:
        """The volume in HU, (slices, rows, columns): int16 where every value is a whole number in range, else float32.

        Raises
        ------
        SeriesError
            when pixels cannot be read or decoded.
        """
        with quiet():
            return self._read()

    def _read(self) -> Volume:
        images = self.stack.images
        try:
            if self.stack.shear is not None or self.stack.heights is not None:
                hu = resample.upright(self._plane(), self.stack, PADDED_HU)
            elif all(float(i.slope).is_integer() and float(i.intercept).is_integer() for i in images):
                try:
                    hu = self._fill(np.empty(self._shape, np.int16))
                except OutOfRange:
                    hu = self._fill(np.empty(self._shape, np.float32))
            else:
                hu = self._fill(np.empty(self._shape, np.float32))
        except MemoryError:
            raise SeriesError(f"{self.label}: too large for the memory", "size", "use a machine with more") from None
        return Volume(laid_down(hu), self.stack.grid)

    @property
    def _shape(self) -> tuple[int, int, int]:
        coding = self.stack.images[0].coding
        return len(self.stack.images), coding.rows, coding.columns

    def _plane(self) -> Callable[[int], NDArray[np.float32]]:
        """Slices as stored, one by one; compressed ones are decoded together first."""
        images = self.stack.images
        if workers.worth_it(images, cores()):
            together = self._fill(np.empty(self._shape, np.float32))
            return lambda k: together[k]

        def one(k: int) -> NDArray[np.float32]:
            plane = np.empty(self._shape[1:], np.float32)
            read_slice(images[k], plane, self.label, k + 1)
            return plane

        return one

    def _fill(self, out: NDArray[Any]) -> NDArray[Any]:
        images = self.stack.images
        if workers.worth_it(images, cores()):
            workers.fill(images, out, self.label, cores())
            return out

        def one(index: int) -> None:
            read_slice(images[index], out[index], self.label, index + 1)

        with ThreadPoolExecutor(min(cores(), 4, len(images))) as pool:
            for _ in pool.map(one, range(len(images))):
                pass
        return out
