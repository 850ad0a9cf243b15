"""Where tissue was taken, in terms of the lesion."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from .align import Alignment
from .measure import RimMap
from .outline import Outline
from .scan import Volume
from .statements import BiopsyReport
from .timeline import Timeline


def biopsy_reports(
    timeline: Timeline,
    outlines: Sequence[Outline | None],
    alignments: Sequence[Alignment] = (),
    *,
    rim_maps: Sequence[RimMap | None] = (),
    volumes: Mapping[int, Volume] | None = None,
) -> tuple[BiopsyReport, ...]:
    """One report per ``[[biopsy]]``; an empty tuple when none was given.

    ``volumes`` maps scan numbers to volumes already at hand; others are read from their scan.
    """
    return ()
