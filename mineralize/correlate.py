"""What the measured history lets one say, and no more; expected tissue; where the biopsy came from."""

from __future__ import annotations

from dataclasses import dataclass

from .scan import Trust


@dataclass(frozen=True)
class Finding:
    """One plain statement, the measurements it rests on (``(scan, quantity)``), its trust and its limits."""

    topic: str
    text: str
    rests_on: tuple[tuple[int, str], ...]
    trust: Trust
    limits: str = ""
