"""A case on disk to a :class:`Timeline`: series chosen, scans in time order, seeds and events put in."""

from __future__ import annotations

import datetime
import itertools
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Literal, cast

from . import timeline_case
from .dicom import choose
from .dicom.choose import Choice, Judged
from .dicom.files import gather
from .dicom.grouping import earliest
from .dicom.image import When
from .dicom.pixels import DicomSource
from .dicom.reading import CtReading, input_hash, read_ct
from .dicom.times import moment
from .errors import CaseFileError, InputError
from .scan import Note, Scan
from .timeline_case import CaseFile, GivenStudy, ScanRef
from .timeline_model import BiopsySite, Event, EventKind, Seed, Timeline

OnStep = Callable[[str, int, int], None]
FIRST_CT_YEAR = 1971
"""Dates before the first CT of a patient (1971) are shifted or dummies."""


@dataclass(frozen=True, eq=False)
class _Placed:
    """A chosen series with its place in time; ``day`` is set where ``case.toml`` gave it directly."""

    choice: Choice
    chosen: Judged
    at: datetime.datetime | None
    timed: bool
    day: int | None
    order: int
    own_offset: int | None


def read_case(path: str | os.PathLike[str], on_step: OnStep | None = None) -> Timeline:
    """See :func:`mineralize.timeline.read`."""
    gathered = gather(path)
    case = timeline_case.load(gathered.case_file)
    reading = read_ct(gathered, one_person=case.one_patient, on_step=on_step)
    faults = _unknown_studies(case, reading)
    if faults:
        raise CaseFileError("case.toml: " + "; ".join(faults))
    choices = choose.choose(reading.studies, overrule=case.series)
    placed = _placed(choices, case)
    if not placed:
        raise InputError(_nothing_usable(choices))
    # A seed can rule a series out, but which study it belongs to is known only once the scans are in order.
    by_study = _seeds_by_study(case, placed)
    if by_study:
        choices = choose.choose(reading.studies, overrule=case.series, seeds=by_study)
        lost = [n for n in by_study if not next(c for c in choices if c.study.number == n).chosen]
        if lost:
            raise CaseFileError(
                f"case.toml: the lesion's seed lies outside every usable series of study {lost[0]}; expected LPS mm of "
                "that scan"
            )
        placed = _placed(choices, case)
    placed, notes = _ordered(placed)
    scans, zero, zero_kind, more = _scans(placed, case)
    notes += more
    chosen_images = [image for p in placed for image in (p.chosen.stack.images if p.chosen.stack else ())]
    return Timeline(
        scans=scans,
        alias=case.alias,
        day_zero=zero_kind,
        events=_events(case, zero),
        biopsies=_biopsies(case, scans, zero),
        seeds=_seeds(case, scans),
        notes=(
            *reading.notes,
            *(note for choice in choices for note in choose.notes(choice)),
            *_skipped(choices, placed),
            *notes,
        ),
        settings=case.settings,
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


def _skipped(choices: Sequence[Choice], placed: Sequence[_Placed]) -> list[Note]:
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


# --- time ----------------------------------------------------------------------------------------------------


def _placed(choices: Sequence[Choice], case: CaseFile) -> list[_Placed]:
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
        found.append(_Placed(choice, choice.chosen, at, timed, day, given.order or 0, when.utc_offset_min))
    if undated:
        raise InputError(
            f"no usable date in {', '.join(undated)}; say when it was made in case.toml, for example: [[study]] "
            f"study = {undated[0].split()[1]}, day = 35 (or date = ...)"
        )
    return found


def _when(choice: Choice) -> When:
    assert choice.chosen is not None
    return earliest(choice.chosen.part.images)


def _ordered(placed: list[_Placed]) -> tuple[list[_Placed], list[Note]]:
    """In time order; two on one day are told apart by their times, else the user is asked."""
    dated = [p for p in placed if p.at is not None]
    if len(dated) < len(placed):
        return sorted(placed, key=lambda p: (p.day if p.day is not None else 0, p.order)), []

    def key(p: _Placed) -> tuple[datetime.date, int, datetime.datetime]:
        assert p.at is not None
        return (p.at.date(), p.order, p.at)

    ordered = sorted(dated, key=key)
    notes: list[Note] = []
    for a, b in itertools.pairwise(ordered):
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
    return ordered, notes


def _scans(
    placed: Sequence[_Placed], case: CaseFile
) -> tuple[tuple[Scan, ...], datetime.date | None, Literal["onset", "first scan"], list[Note]]:
    notes: list[Note] = []
    dates = [p.at.date() for p in placed if p.at is not None]
    zero = case.onset or (min(dates) if dates else None)
    if zero is None or any(p.day is not None for p in placed):
        notes.append(Note("days-given", "The days of some scans come from case.toml.", "info"))
    days = [p.day if p.day is not None else _days(p.at, zero) for p in placed]
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


def _days(at: datetime.datetime | None, zero: datetime.date | None) -> int:
    assert at is not None
    assert zero is not None
    return (at.date() - zero).days


def _scan(number: int, day: int, placed: _Placed) -> Scan:
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


# --- what case.toml says about scans ---------------------------------------------------------------------------


def _number(ref: ScanRef, dates: Sequence[datetime.date | None], where: str, faults: list[str]) -> int | None:
    """The scan number (from 1) of a reference by number or date."""
    if isinstance(ref, int):
        if ref <= len(dates):
            return ref
        faults.append(f"{where}: there is no scan {ref}; the case has {len(dates)}")
        return None
    hits = [number for number, date in enumerate(dates, 1) if date == ref]
    if len(hits) == 1:
        return hits[0]
    faults.append(
        f"{where}: {'no scan is' if not hits else f'{len(hits)} scans are'} of that date; give the scan's number"
    )
    return None


def _dates(scans: Sequence[Scan]) -> list[datetime.date | None]:
    return [datetime.date.fromisoformat(scan.date) if scan.date else None for scan in scans]


def _seeds_by_study(case: CaseFile, placed: list[_Placed]) -> Mapping[int, tuple[float, float, float]]:
    if not case.seeds:
        return {}
    ordered, _ = _ordered(placed)
    scans, _, _, _ = _scans(ordered, case)
    faults: list[str] = []
    studies = {scan.label: int(scan.label.split()[1]) for scan in scans}
    found: dict[int, tuple[float, float, float]] = {}
    for seed in case.seeds:
        number = _number(seed.scan, _dates(scans), "lesion", faults)
        if number is not None:
            found.setdefault(studies[scans[number - 1].label], seed.point)
    if faults:
        raise CaseFileError("case.toml: " + "; ".join(faults))
    return found


def _seeds(case: CaseFile, scans: Sequence[Scan]) -> tuple[Seed, ...]:
    faults: list[str] = []
    found: dict[int, Seed] = {}
    for place, seed in enumerate(case.seeds):
        where = "lesion" if place == 0 else f"lesion.more {place}"
        number = _number(seed.scan, _dates(scans), where, faults)
        if number is None:
            continue
        if not scans[number - 1].grid.contains(seed.point):
            faults.append(f"{where}: the seed lies outside scan {number}; expected LPS mm of that scan")
        elif number in found:
            faults.append(f"{where}: scan {number} has a seed already")
        else:
            found[number] = Seed(number, seed.point)
    if faults:
        raise CaseFileError("case.toml: " + "; ".join(faults))
    return tuple(found.values())


def _event_day(at: datetime.date | int, zero: datetime.date | None) -> tuple[int, str] | None:
    if isinstance(at, int):
        return at, ""
    return ((at - zero).days, at.isoformat()) if zero is not None else None


def _events(case: CaseFile, zero: datetime.date | None) -> tuple[Event, ...]:
    events = []
    for number, given in enumerate(case.events, 1):
        placed = _event_day(given.at, zero)
        if placed is None:
            raise CaseFileError(f"case.toml: event {number}: the scans have no dates; give day instead of date")
        events.append(Event(placed[0], cast(EventKind, given.kind), given.text, placed[1]))
    return tuple(sorted(events, key=lambda e: e.day))


def _biopsies(case: CaseFile, scans: Sequence[Scan], zero: datetime.date | None) -> tuple[BiopsySite, ...]:
    faults: list[str] = []
    found = []
    for place, given in enumerate(case.biopsies, 1):
        number = _number(given.scan, _dates(scans), f"biopsy {place}", faults)
        if number is None:
            continue
        if not scans[number - 1].grid.contains(given.target, -50.0):
            faults.append(f"biopsy {place}: the point lies far outside scan {number}; expected LPS mm of that scan")
            continue
        day = _event_day(given.at, zero) if given.at is not None else None
        found.append(BiopsySite(number, given.target, given.entry, day[0] if day else None))
    if faults:
        raise CaseFileError("case.toml: " + "; ".join(faults))
    return tuple(found)
