"""Compressed slices decoded on several cores.

The decoders hold the interpreter's lock, so threads gain nothing. Each worker is a plain child process that is handed
its slices on standard input and streams HU back on standard output; the parent reads straight into the volume. Unlike
a process pool this never runs the user's own script again. A decoder that ends its process on damaged data ends a
worker, and the series is refused.
"""

from __future__ import annotations

import logging
import pickle
import struct
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from ..base import SeriesError, isolated_python
from .decode import needs_child
from .image import Image
from .slices import OutOfRange, read_slice

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
        as :func:`.slices.read_slice`; also when a worker dies.
    """
    cores = max(1, min(cores, 16, len(images) // 8))
    shares = [list(range(first, len(images), cores)) for first in range(cores)]
    with ThreadPoolExecutor(cores) as pool:
        for _ in pool.map(lambda share: _one(images, share, out, label), shares):
            pass


def _one(images: tuple[Image, ...], share: list[int], out: NDArray[Any], label: str) -> None:
    job = pickle.dumps((label, out.dtype.str, [(k, images[k]) for k in share]))
    with subprocess.Popen(
        isolated_python("mineralize.dicom.workers"),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
    ) as child:
        assert child.stdin is not None
        assert child.stdout is not None
        try:
            child.stdin.write(job)
            child.stdin.close()
            for k in share:
                _receive(child.stdout, out[k], label, k + 1)
        except BrokenPipeError:
            raise _died(label, share[0] + 1) from None
        finally:
            child.kill()


def _receive(stream: IO[bytes], plane: NDArray[Any], label: str, number: int) -> None:
    status = stream.read(1)
    if not status:
        raise _died(label, number)
    if status[0] == _RANGE:
        raise OutOfRange
    if status[0] == _BAD:
        (length,) = struct.unpack("<L", stream.read(4))
        error = pickle.loads(stream.read(length))
        raise error if isinstance(error, SeriesError) else _died(label, number)
    view = memoryview(plane.data).cast("B")
    done = 0
    while done < len(view):
        got = stream.readinto(view[done:])  # type: ignore[attr-defined]
        if not got:
            raise _died(label, number)
        done += got


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
        plane = np.empty((image.coding.rows, image.coding.columns), dtype)
        try:
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
