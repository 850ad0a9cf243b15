"""The command line: parse, call, print, exit code; nothing is computed here.

In: the words of a command; points are LPS mm, scans count from 1, times are days. Out: an exit code, what was asked for
on standard output, progress (seconds) and what is wrong on standard error, results in the folder that was named. Errors
of ours are not raised but told in one sentence: ``UsageError`` ends with 2, ``LesionNeeded`` with 3 and the numbered
candidates, ``InputError`` and ``OutputError`` with 4; 5 is done with values withheld. Source: own definitions, but
128 + n for signal n, as shells tell it (POSIX asks for more than 128).
"""

from __future__ import annotations

import logging
from collections.abc import Sequence

__all__ = ["main"]


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code (see ``mineralize --help``); errors of ours are told, not raised."""
    # Before they are loaded: what these libraries say quotes a patient's name, or a path of this machine.
    for name in ("pydicom", "matplotlib", "highdicom", "PIL"):
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)
    from .commands import main as run  # help and completion start without the rest

    return run(argv)
