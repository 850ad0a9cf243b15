"""Many cases: each measured as alone, one table over all of them; a bad case is a row and stops nothing.

In: a folder of cases (:func:`find_cases`) and a ``Request`` as template. Out: a results folder per case, combined
tables, a :class:`Report` per case (:func:`run`) and the exit code over all (:func:`exit_code`).
"""

from __future__ import annotations

from .work import Report, exit_code, find_cases, run

__all__ = [
    "Report",
    "exit_code",
    "find_cases",
    "run",
]
