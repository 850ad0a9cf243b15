"""Compressed slices decoded on several cores.

The decoders hold the interpreter's lock, so threads gain nothing. Each worker is a plain child process that is handed
its slices on standard input and streams HU back on standard output; the parent reads straight into the volume. Unlike
a process pool this never runs the user's own script again. A decoder that ends its process on damaged data, or is busy
with it for too long, ends a worker, and the series is refused.
"""

from __future__ import annotations

import logging
import pickle
import struct
import sys
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..base import SeriesError
from .children import Child, EndedError, LateError, Nursery, allowed_s, bound, late
from .decode import needs_child
from .image import Image
from .slices import OutOfRange, read_slice

ENTRY = "mineralize.dicom.workers"
"""The module whose ``main`` a child runs."""
FEWEST = 24
"""Fewer compressed slices than this are decoded faster without starting processes."""
_GOOD, _BAD, _RANGE = 0, 1, 2


def worth_it(images: tuple[Image, ...], cores: int) -> bool:
    """Whether child processes are faster than this one alone, or safer."""
    first = images[0]
    if not first.where.encapsulated or not sys.executable:
        return False
    return needs_child(first.coding) or (len(images) >= FEWEST and cores > 1)


def fill(images: tuple[Image, ...], out: NDArray[Any], label: str, cores: int) -> None:
    """Decode every slice into ``out`` (slices, rows, columns).

    Raises
    ------
    SeriesError, OutOfRange
        as :func:`.slices.read_slice`; also when a worker dies, or takes too long over a slice.
    """
    cores = max(1, min(cores, 16, len(images) // 8))
    shares = [list(range(first, len(images), cores)) for first in range(cores)]
    nursery = Nursery()
    with ThreadPoolExecutor(cores) as pool:
        try:
            for _ in pool.map(lambda share: _one(nursery, images, share, out, label), shares):
                pass
        except BaseException:
            nursery.end()  # else leaving the pool would wait until the others are through
            raise


def _one(nursery: Nursery, images: tuple[Image, ...], share: list[int], out: NDArray[Any], label: str) -> None:
    now = share[0]
    try:
        with nursery.child(ENTRY) as child:
            child.give((label, out.dtype.str, [(k, images[k]) for k in share]), allowed_s(images[now]))
            for now in share:
                _receive(child, out[now], allowed_s(images[now]))
    except EndedError:
        raise _died(label, now + 1) from None
    except LateError:
        raise late(label, images[now]) from None


def _receive(child: Child, plane: NDArray[Any], seconds: float) -> None:
    (status,) = child.read(1, seconds)
    if status == _RANGE:
        raise OutOfRange
    if status == _BAD:
        (length,) = struct.unpack("<L", child.read(4, seconds))
        error = pickle.loads(child.read(length, seconds))
        raise error if isinstance(error, SeriesError) else EndedError
    child.read_into(memoryview(plane.data).cast("B"), seconds)


def _died(label: str, number: int) -> SeriesError:
    return SeriesError(
        f"{label}: the pixels of slice {number} could not be decoded", "decode", "export the series uncompressed"
    )


def main() -> None:
    """What a child process runs."""
    label, dtype, share = pickle.load(sys.stdin.buffer)
    stream = sys.stdout.buffer
    logging.getLogger("pydicom").setLevel(logging.CRITICAL + 1)
    for k, image in share:
        try:
            plane = np.empty((image.coding.rows, image.coding.columns), dtype)
            bound(allowed_s(image))
            read_slice(image, plane, label, k + 1, checked=False)
        except OutOfRange:
            stream.write(bytes([_RANGE]))
            break
        except SeriesError as error:
            report = pickle.dumps(error)
            stream.write(bytes([_BAD]) + struct.pack("<L", len(report)) + report)
            break
        stream.write(bytes([_GOOD]))
        stream.write(plane.data)
    stream.flush()
