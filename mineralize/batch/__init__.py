"""Many cases: each measured as alone, tables over all of them; a bad case is a row and stops nothing.

In: a folder of cases, or a table ``case,path``, and a ``Request`` as template. Out: a results folder per case, tables
as CSV and Parquet with their dictionary, a :class:`Report` per case (:func:`run`) and the exit code over all
(:func:`exit_code`). :class:`How` says who measures: this process, processes of our own, a Dask cluster. :func:`watch`
goes on and takes in studies as they arrive. What is done stands in files only: a run that was killed goes on.
``InputError``, ``OutputError`` and ``UsageError`` are for the run as a whole; those of a case are its row.
Units are those of the tables of a case, in their dictionary (UCUM). Source: own definitions, CSV by RFC 4180.
"""

from __future__ import annotations

from .find import find_cases
from .job import Report
from .watch import watch
from .work import How, Standing, exit_code, run

__all__ = [
    "How",
    "Report",
    "Standing",
    "exit_code",
    "find_cases",
    "run",
    "watch",
]
