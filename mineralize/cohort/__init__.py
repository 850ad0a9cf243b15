"""One quantity over the days from many tables of measurements.

In: paths of ``measurements.csv`` files. Out: curves (:func:`read_curves`) and their table as text (:func:`table`).
``InputError`` where a table is not one of ours.
"""

from __future__ import annotations

from .points import read_curves, table

__all__ = [
    "read_curves",
    "table",
]
