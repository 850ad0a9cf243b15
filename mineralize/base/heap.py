"""What is done about memory that nobody uses: how often the interpreter looks for circles among its objects, and that
what was freed goes back to the system.

Drawing, subsetting fonts and building DICOM objects make hundreds of thousands of small objects that live until the
end; by its defaults the interpreter goes through all of them again and again and finds nothing (a tenth of the
processor time of a small case, half of that of embedding fonts).
"""

from __future__ import annotations

import atexit
import ctypes
import gc
import sys

OBJECTS = 20_000
"""New objects after which the youngest are looked through; 700 by default. A hundred MiB at most are held longer."""
ROUNDS = 10
"""Rounds after which older objects are looked through too; as by default."""


def collect_seldom() -> None:
    """For a process of our own, not for one that belongs to who calls us: what is freed, and when, is process-wide."""
    gc.set_threshold(OBJECTS, ROUNDS, ROUNDS)
    atexit.unregister(collect_no_more)
    atexit.register(collect_no_more)


def collect_no_more() -> None:
    """For a process that ends: all of it goes back to the system at once, but the interpreter would look through half a
    million objects several times before (more than a second after a small case)."""
    gc.disable()
    gc.freeze()


MMAP_THRESHOLD, TRIM_THRESHOLD = -3, -1
"""What mallopt(3) calls these: from which size on an array has pages of its own that go back once it is freed, and how
much of what is free at the end of the heap is kept."""
KEPT_BYTES = 32 * 2**20
"""The most that the C library would keep by itself (twice as much at the end of the heap), as its arrays are freed."""


def keep_freed() -> None:
    """For a worker that was started with ``MALLOC_TRIM_THRESHOLD_``, as Dask starts them: freed memory would go back
    to the system with every array and come again as empty pages, an eighth of the processor time of a small case."""
    if sys.platform != "linux":
        return
    option = getattr(ctypes.CDLL(None), "mallopt", None)
    if option is not None:
        option(MMAP_THRESHOLD, KEPT_BYTES)
        option(TRIM_THRESHOLD, 2 * KEPT_BYTES)


def give_back() -> None:
    """Return freed memory to the system, which the C library keeps for itself after work in many threads: 250 MiB of
    what five scans took to measure. Takes some milliseconds; nothing where there is another library."""
    if sys.platform != "linux":
        return
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
    if trim is not None:
        trim(0)
