"""One page with the plots."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from .runs import Outcome


def write_page(path: Path, outcomes: Sequence[Outcome], command: str) -> None:
    return None
