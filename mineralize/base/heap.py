"""How often the interpreter looks for circles among its objects.

Drawing, subsetting fonts and building DICOM objects make hundreds of thousands of small objects that live until the
end; by its defaults the interpreter goes through all of them again and again and finds nothing (a tenth of the
processor time of a small case, half of that of embedding fonts).
"""

from __future__ import annotations

import gc

OBJECTS = 20_000
"""New objects after which the youngest are looked through; 700 by default. A hundred MiB at most are held longer."""
ROUNDS = 10
"""Rounds after which older objects are looked through too; as by default."""


def collect_seldom() -> None:
    """For a process of our own, not for one that belongs to who calls us: what is freed, and when, is process-wide."""
    gc.set_threshold(OBJECTS, ROUNDS, ROUNDS)
