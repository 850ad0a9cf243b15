"""A case on disk to a :class:`Timeline`: series chosen, scans in time order, seeds and events put in."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from functools import partial

from ..base import CaseFileError, InputError, Note, Scan
from ..dicom import Choice, CtReading, choose, gather, input_hash, read_ct, read_drawn
from . import case_file as timeline_case
from . import corrections as timeline_corrections
from . import given as timeline_given
from . import when as timeline_when
from .case_file import CaseFile
from .comparable import comparability
from .model import Timeline
from .when import Placed

OnStep = Callable[[str, int, int], None]


def read_case(path: str | os.PathLike[str], on_step: OnStep | None = None) -> Timeline:
    """See :func:`mineralize.timeline.read`."""
    gathered = gather(path)
    case = timeline_case.load(gathered.case_file)
    reading = read_ct(gathered, one_person=case.one_patient, on_step=on_step)
    faults = _unknown_studies(case, reading)
    if faults:
        raise CaseFileError("case.toml: " + "; ".join(faults))
    judged = choose.judge_all(reading.studies)
    choices = choose.choose(reading.studies, overrule=case.series, judged=judged)
    placed = timeline_when.place(choices, case)
    if not placed:
        raise InputError(_nothing_usable(choices))
    # A seed can rule a series out, but which study it belongs to is known only once the scans are in order.
    by_study = timeline_given.seeds_by_study(case, placed)
    if by_study:
        choices = choose.choose(reading.studies, overrule=case.series, seeds=by_study, judged=judged)
        lost = [n for n in by_study if not next(c for c in choices if c.study.number == n).chosen]
        if lost:
            raise CaseFileError(
                f"case.toml: the lesion's seed lies outside every usable series of study {lost[0]}; expected LPS mm of "
                "that scan"
            )
        placed = timeline_when.place(choices, case)
    placed, notes = timeline_when.ordered(placed)
    scans, zero, zero_kind, more = timeline_when.scans_of(placed, case)
    notes += more
    scans = timeline_given.calibrated(case, scans)
    offered = timeline_given.offers([d for other in reading.others for d in read_drawn(other)], scans)
    drawn = timeline_given.named_offer(case, offered)
    seeds, more = timeline_given.taken(drawn, offered, timeline_given.seeds_of(case, scans))
    notes += [*more, *_unlike(scans)]
    chosen_images = [image for p in placed for image in (p.chosen.stack.images if p.chosen.stack else ())]
    return Timeline(
        scans=scans,
        alias=case.alias,
        day_zero=zero_kind,
        events=timeline_given.events_of(case, zero),
        biopsies=timeline_given.biopsies_of(case, scans, zero),
        seeds=seeds,
        notes=(
            *reading.notes,
            *(note for choice in choices for note in choose.notes(choice)),
            *_skipped(choices, placed),
            *notes,
        ),
        settings=case.settings,
        offered=offered,
        drawn_outline=drawn.number if drawn and case.drawn_outline else None,
        by_hand=timeline_corrections.acts_of(case.corrections, scans, zero),
        hasher=partial(input_hash, tuple(chosen_images)),
        series=tuple(row for choice in choices for row in choose.rows(choice)),
    )


def _unknown_studies(case: CaseFile, reading: CtReading) -> list[str]:
    count = len(reading.studies)
    return [
        f"{name} names study {number}, but there are {count}"
        for name, numbers in (("series", case.series), ("study", case.studies))
        for number in numbers
        if number > count
    ]


def _nothing_usable(choices: Sequence[Choice]) -> str:
    reasons = []
    for choice in choices:
        for row in choose.rows(choice):
            reason = row.reason if row.reason.startswith("study ") else f"{row.label}: {row.reason}"
            reasons.append(reason)
    listed = "; ".join(reasons[:4]) + (f"; and {len(reasons) - 4} more" if len(reasons) > 4 else "")
    return f"no series of the case can be measured ({listed})"


def _skipped(choices: Sequence[Choice], placed: Sequence[Placed]) -> list[Note]:
    used = {p.choice.study.number: number for number, p in enumerate(placed, 1)}
    notes = []
    for choice in choices:
        number = choice.study.number
        if number in used:
            continue
        ct = any(j.part.first.ids.modality == "CT" and j.error for j in choice.judged)
        notes.append(
            Note(
                "study-without-scan",
                "Gives no scan: none of its series can be measured; scans are numbered without it.",
                "caution" if ct else "info",
                f"study {number}",
            )
        )
    return notes


def _unlike(scans: Sequence[Scan]) -> list[Note]:
    """How the scans differ in acquisition; how much that can matter is told by the comparability table."""
    return [
        Note("not-comparable", f"{row.what.capitalize()} differs between scans.", "caution", row.what)
        for row in comparability(scans)
        if row.differs
    ]
