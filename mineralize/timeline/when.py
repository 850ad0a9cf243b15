"""Chosen series in time order: dates, days, ties, and what to ask where the files do not tell."""

from __future__ import annotations

import datetime
import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from ..base import CaseFileError, InputError, Note, Scan
from ..dicom import Choice, DicomSource, Judged, When, choose, earliest, moment
from .case_file import CaseFile, GivenStudy
from .values import MOST_DAYS

FIRST_CT_YEAR = 1971
"""Dates before the first CT of a patient (1971) are shifted or dummies."""


@dataclass(frozen=True, eq=False)
class Placed:
    """A chosen series with its place in time; ``day`` is set where ``case.toml`` gave it directly."""

    choice: Choice
    chosen: Judged
    at: datetime.datetime | None
    timed: bool
    day: int | None
    order: int
    own_offset: int | None


def place(choices: Sequence[Choice], case: CaseFile) -> list[Placed]:
    moments = {c.study.number: _when(c) for c in choices if c.chosen}
    offset = next((w.utc_offset_min for w in moments.values() if w.utc_offset_min is not None), None)
    found = []
    undated = []
    for choice in choices:
        if choice.chosen is None:
            continue
        number = choice.study.number
        given = case.studies.get(number, GivenStudy(number))
        when = moments[number]
        at = moment(when, offset)
        day = None
        if isinstance(given.at, datetime.date):
            at = datetime.datetime.combine(given.at, datetime.time())
        elif given.at is not None:
            day, at = given.at, None
        if at is None and day is None:
            files = [image.file for part in choice.study.parts for image in part.images]
            undated.append(f"study {number} ({len(files)} images, the first is file {min(files)} in sorted order)")
        timed = when.seconds is not None and given.at is None
        found.append(Placed(choice, choice.chosen, at, timed, day, given.order or 0, when.utc_offset_min))
    if undated:
        raise InputError(
            f"no usable date in {', '.join(undated)}; say when it was made in case.toml, for example: [[study]] "
            f"study = {undated[0].split()[1]}, day = 35 (or date = ...)"
        )
    return found


def _when(choice: Choice) -> When:
    assert choice.chosen is not None
    return earliest(choice.chosen.part.images)


def ordered(placed: list[Placed]) -> tuple[list[Placed], list[Note]]:
    """In time order; two on one day are told apart by their times, else the user is asked."""
    dated = [p for p in placed if p.at is not None]
    if len(dated) < len(placed):
        return sorted(placed, key=lambda p: (p.day if p.day is not None else 0, p.order)), []

    def key(p: Placed) -> tuple[datetime.date, int, datetime.datetime]:
        assert p.at is not None
        return (p.at.date(), p.order, p.at)

    in_order = sorted(dated, key=key)
    notes: list[Note] = []
    for a, b in itertools.pairwise(in_order):
        assert a.at is not None
        assert b.at is not None
        if a.at.date() != b.at.date():
            continue
        first, second = a.choice.study.number, b.choice.study.number
        if a.order == b.order and (a.at == b.at or not (a.timed and b.timed)):
            raise InputError(
                f"study {first} and study {second} are of one day and their times do not tell which came first; say it "
                f"in case.toml: [[study]] study = {first}, order = 1 and [[study]] study = {second}, order = 2"
            )
        notes.append(Note("one-day", f"Study {first} and study {second} are of one day.", "info"))
    return in_order, notes


def scans_of(
    placed: Sequence[Placed], case: CaseFile
) -> tuple[tuple[Scan, ...], datetime.date | None, Literal["onset", "first scan"], list[Note]]:
    notes: list[Note] = []
    dates = [p.at.date() for p in placed if p.at is not None]
    zero = case.onset or (min(dates) if dates else None)
    if zero is None or any(p.day is not None for p in placed):
        notes.append(Note("days-given", "The days of some scans come from case.toml.", "info"))
    days = [p.day if p.day is not None else _days(p.at, zero) for p in placed]
    _refuse_ages(days, case, placed)
    if case.onset is None:
        if not dates and days:
            days = [day - min(days) for day in days]
        notes.append(Note("day-zero", "No onset is given; day zero is the first scan.", "info"))
    elif min(days) < 0:
        notes.append(Note("before-onset", "A scan was made before the onset that case.toml gives.", "caution"))
    if any(d.year < FIRST_CT_YEAR or d > datetime.date.today() for d in dates):
        notes.append(
            Note("dates-shifted", "The dates look shifted; the days between hold if all were shifted alike.", "caution")
        )
    if days != sorted(days):
        order = sorted(range(len(placed)), key=lambda i: days[i])
        placed, days = [placed[i] for i in order], [days[i] for i in order]
    scans = tuple(_scan(number, day, p) for number, (day, p) in enumerate(zip(days, placed, strict=True), 1))
    return scans, zero, "onset" if case.onset else "first scan", notes


def _refuse_ages(days: Sequence[int], case: CaseFile, placed: Sequence[Placed]) -> None:
    """No history of a person is longer than a life: a slip in a year, or a date that was made up."""
    if days and max(days) - min(days) > MOST_DAYS:
        first, last = (placed[days.index(end)].choice.study.number for end in (min(days), max(days)))
        raise InputError(
            f"study {first} and study {last} lie {(max(days) - min(days)) // 365} years apart by their dates; say when "
            f"they were made in case.toml, for example: [[study]] study = {last}, day = 35 (or date = ...)"
        )
    if case.onset is not None and days and max(abs(day) for day in days) > MOST_DAYS:
        raise CaseFileError(f"case.toml: onset: lies more than {MOST_DAYS} days from a scan; correct its year")


def _days(at: datetime.datetime | None, zero: datetime.date | None) -> int:
    assert at is not None
    assert zero is not None
    return (at.date() - zero).days


def _scan(number: int, day: int, placed: Placed) -> Scan:
    stack = placed.chosen.stack
    assert stack is not None
    part = placed.chosen.part
    ids = part.first.ids
    return Scan(
        number=number,
        day=day,
        grid=stack.grid,
        acquisition=choose.acquisition(placed.chosen),
        source=DicomSource(stack, part.label),
        label=part.label,
        date=placed.at.date().isoformat() if placed.at is not None else "",
        notes=stack.notes,
        identifiers={
            "StudyInstanceUID": ids.study,
            "SeriesInstanceUID": ids.series,
            "FrameOfReferenceUID": ids.frame_of_reference,
        },
    )
