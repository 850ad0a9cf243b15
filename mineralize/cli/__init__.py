"""The command line: parse, call, print, exit code; nothing is computed here."""

from __future__ import annotations

import logging
from collections.abc import Sequence

__all__ = ["main"]


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code (see ``mineralize --help``)."""
    # Before they are loaded: what these libraries say quotes a patient's name, or a path of this machine.
    for name in ("pydicom", "matplotlib", "highdicom", "PIL"):
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)
    from .commands import main as run  # help and completion start without the rest

    return run(argv)
