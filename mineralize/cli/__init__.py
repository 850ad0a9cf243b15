"""The command line: parse, call, print, exit code; nothing is computed here."""

from __future__ import annotations

from collections.abc import Sequence

__all__ = ["main"]


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code (see ``mineralize --help``)."""
    from .commands import main as run  # help and completion start without the rest

    return run(argv)
