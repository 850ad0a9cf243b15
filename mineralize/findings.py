"""Plain statements from the measurements."""

from __future__ import annotations

from collections.abc import Sequence

from .align import Alignment
from .change import Change
from .maturation import Curve
from .measure import Measurement
from .statements import Finding
from .timeline import Timeline


def findings(
    timeline: Timeline,
    measurements: Sequence[Measurement],
    changes: Sequence[Change] = (),
    curves: Sequence[Curve] = (),
    alignments: Sequence[Alignment] = (),
) -> tuple[Finding, ...]:
    """Statements in reading order, one or more per topic."""
    return ()
