"""Plain statements from the measurements, in reading order."""

from __future__ import annotations

from collections.abc import Sequence

from ..align import Alignment
from ..change import Change, Curve
from ..measure import Measurement
from ..timeline import Timeline
from . import compare as findings_compare
from . import course as findings_course
from . import mineral as findings_mineral
from . import place as findings_place
from .answers import answers
from .evidence import Evidence
from .picture import picture_of
from .statements import Answer, BiopsyReport, Finding


def findings(
    timeline: Timeline,
    measurements: Sequence[Measurement],
    changes: Sequence[Change] = (),
    curves: Sequence[Curve] = (),
    alignments: Sequence[Alignment] = (),
) -> tuple[Finding, ...]:
    """Statements in reading order; every topic yields at least one, if only ``not assessed, because``.

    A finding that describes one scan describes the last one in which the measurements it needs have values;
    scans in which they do not are named in findings of their own, whose trust is ``"withheld"``.
    """
    evidence = Evidence(timeline, tuple(measurements), tuple(changes), tuple(curves), tuple(alignments))
    said = (
        *findings_place.relation_to_bone(evidence),
        *findings_mineral.zoning(evidence),
        *findings_mineral.rim(evidence),
        *findings_course.courses(evidence),
        *findings_mineral.centre(evidence),
        *findings_course.muscle_around(evidence),
        *findings_course.late_growth(evidence),
        *findings_place.soft_tissue_beyond(evidence),
    )
    picture = picture_of(said)
    departs = picture.departing_words() if picture.departs else ""
    said = (*said, *findings_mineral.maturity(evidence, departs), *findings_compare.comparability(evidence))
    return (*said, *findings_compare.remaining(evidence, said))


def five_answers(
    timeline: Timeline,
    measurements: Sequence[Measurement],
    changes: Sequence[Change] = (),
    alignments: Sequence[Alignment] = (),
    *,
    said: Sequence[Finding],
    biopsies: Sequence[BiopsyReport] = (),
) -> tuple[Answer, ...]:
    """Where, mineral, course, needle and what to distrust, each in a sentence (:class:`Answer`)."""
    evidence = Evidence(timeline, tuple(measurements), tuple(changes), (), tuple(alignments))
    return answers(evidence, said, biopsies)


def baseline(timeline: Timeline, measurements: Sequence[Measurement]) -> tuple[int, int]:
    """The pair of scans that everything is compared between: the first and the last that were measured."""
    return Evidence(timeline, tuple(measurements)).baseline
