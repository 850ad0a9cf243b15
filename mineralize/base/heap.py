"""What is done about memory that nobody uses: how often the interpreter looks for circles among its objects, and that
what was freed goes back to the system.

Drawing, subsetting fonts and building DICOM objects make hundreds of thousands of small objects that live until the
end; by its defaults the interpreter goes through all of them again and again and finds nothing (a tenth of the
processor time of a small case, half of that of embedding fonts).
"""

from __future__ import annotations

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


def give_back() -> None:
    """Return freed memory to the system, which the C library keeps for itself after work in many threads: 250 MiB of
    what five scans took to measure. Takes some milliseconds; nothing where there is another library."""
    if sys.platform != "linux":
        return
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
    if trim is not None:
        trim(0)
