"""What ``case.toml`` says about scans, and what was drawn in them before: seeds, events, biopsies, offers."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import cast

import numpy as np
from numpy.typing import NDArray

from ..base import Calibration, CaseFileError, Grid, Note, Scan
from ..dicom import Drawn, deepest, region_on
from .case_file import CaseFile
from .model import BiopsySite, Event, EventKind, Offered, Seed
from .values import MOST_DAYS
from .when import Placed, ordered, scans_of
from .which import number_of, place_tag

SMALLEST_OFFER_MM3 = 100.0
LARGEST_OFFER_MM3 = 2e6
"""A single drawn region is taken as the lesion only within these volumes: not a speck, not the whole body."""


def seeds_by_study(case: CaseFile, placed: list[Placed]) -> Mapping[int, tuple[float, float, float]]:
    if not case.seeds:
        return {}
    in_order, _ = ordered(placed)
    scans, _, _, _ = scans_of(in_order, case)
    faults: list[str] = []
    studies = {scan.label: int(scan.label.split()[1]) for scan in scans}
    found: dict[int, tuple[float, float, float]] = {}
    for seed in case.seeds:
        number = number_of(seed.scan, scans, "lesion", faults)
        if number is not None:
            found.setdefault(studies[scans[number - 1].label], seed.point)
    if faults:
        raise CaseFileError("case.toml: " + "; ".join(faults))
    return found


def seeds_of(case: CaseFile, scans: Sequence[Scan]) -> tuple[Seed, ...]:
    faults: list[str] = []
    found: dict[int, Seed] = {}
    for place, seed in enumerate(case.seeds):
        where = "lesion" if place == 0 else f"lesion.more {place}"
        number = number_of(seed.scan, scans, where, faults)
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


def calibrated(case: CaseFile, scans: Sequence[Scan]) -> tuple[Scan, ...]:
    """The scans, each with the calibration that the case file gives for it.

    Raises
    ------
    CaseFileError
        listing every scan that is not there or calibrated twice, and every rod outside its scan.
    """
    faults: list[str] = []
    found: dict[int, Calibration] = {}
    for place, given in enumerate(case.calibrations, 1):
        where = f"calibration {place}"
        number = number_of(given.scan, scans, where, faults)
        if number is None:
            continue
        if number in found:
            faults.append(f"{where}: scan {number} is calibrated twice")
        found[number] = given.calibration
        for count, rod in enumerate(given.calibration.rods, 1):
            half = 0.5 * rod.length_mm * np.asarray(rod.axis)
            if not all(scans[number - 1].grid.contains(np.asarray(rod.centre) + end) for end in (-half, half)):
                faults.append(
                    f"{where}.rod {count}: the rod reaches out of scan {number}; expected LPS mm of that scan"
                )
    if faults:
        raise CaseFileError("case.toml: " + "; ".join(faults))
    return tuple(replace(scan, calibration=found.get(scan.number)) for scan in scans)


def _event_day(at: datetime.date | int, zero: datetime.date | None) -> tuple[int, str] | None:
    if isinstance(at, int):
        return at, ""
    return ((at - zero).days, at.isoformat()) if zero is not None else None


def _too_far(day: int, where: str, faults: list[str]) -> bool:
    if abs(day) <= MOST_DAYS:
        return False
    faults.append(f"{where}: its date lies more than {MOST_DAYS} days from day zero; correct its year")
    return True


def events_of(case: CaseFile, zero: datetime.date | None) -> tuple[Event, ...]:
    faults: list[str] = []
    events = []
    for number, given in enumerate(case.events, 1):
        placed = _event_day(given.at, zero)
        if placed is None:
            raise CaseFileError(f"case.toml: event {number}: the scans have no dates; give day instead of date")
        if not _too_far(placed[0], f"event {number}", faults):
            events.append(Event(placed[0], cast(EventKind, given.kind), given.text, placed[1]))
    if faults:
        raise CaseFileError("case.toml: " + "; ".join(faults))
    return tuple(sorted(events, key=lambda e: e.day))


def biopsies_of(case: CaseFile, scans: Sequence[Scan], zero: datetime.date | None) -> tuple[BiopsySite, ...]:
    faults: list[str] = []
    found = []
    for place, given in enumerate(case.biopsies, 1):
        number = number_of(given.scan, scans, f"biopsy {place}", faults)
        if number is None:
            continue
        if not scans[number - 1].grid.contains(given.target, -50.0):
            faults.append(f"biopsy {place}: the point lies far outside scan {number}; expected LPS mm of that scan")
            continue
        day = _event_day(given.at, zero) if given.at is not None else None
        if day is not None and _too_far(day[0], f"biopsy {place}", faults):
            continue
        found.append(BiopsySite(number, given.target, given.entry, day[0] if day else None))
    if faults:
        raise CaseFileError("case.toml: " + "; ".join(faults))
    return tuple(found)


# --- what was drawn before -----------------------------------------------------------------------------------------


def offers(drawn: Sequence[Drawn], scans: Sequence[Scan]) -> tuple[Offered, ...]:
    """Drawn places that lie in a scan of the same frame of reference, numbered."""
    found: list[Offered] = []
    for one in drawn:
        for scan in scans:
            if not one.frame_of_reference or one.frame_of_reference != scan.grid.frame_of_reference:
                continue
            number = len(found) + 1
            region = region_on(one, scan.grid)
            if region is not None:
                mask, grid = region
                volume = float(mask.sum()) * grid.voxel_volume_mm3
                if any(_same_region(o, scan.number, mask, grid) for o in found):
                    continue  # the same region written twice, or for two images of one frame of reference
                point = deepest(mask, grid)
                tag = place_tag(scan, one.kind, point, volume)
                found.append(Offered(number, one.kind, scan.number, point, volume, mask, grid, tag))
            elif one.mask is None and not one.contours and scan.grid.contains(one.point):
                tag = place_tag(scan, one.kind, one.point, None)
                found.append(Offered(number, one.kind, scan.number, one.point, tag=tag))
    return tuple(found)


def _same_region(offer: Offered, scan: int, mask: NDArray[np.bool_], grid: Grid) -> bool:
    if offer.scan != scan or offer.mask is None or offer.grid is None:
        return False
    return offer.grid.same_as(grid) and bool((offer.mask == mask).all())


def named_offer(case: CaseFile, offered: Sequence[Offered]) -> Offered | None:
    """The place that ``case.toml`` names under ``lesion.drawn``, by its tag where that is given; ``None`` without one.

    Raises
    ------
    CaseFileError
        where no such place was drawn in the scans in use.
    """
    if case.drawn is None:
        return None
    if case.drawn_tag:
        tagged = [offer for offer in offered if offer.tag == case.drawn_tag]
        if len(tagged) != 1:
            raise CaseFileError(
                "case.toml: the place that lesion.tag names is not among those drawn in the scans in use; put its file "
                "back, or take tag out and give drawn the number that inspect lists"
            )
        return tagged[0]
    if case.drawn > len(offered):
        raise CaseFileError(
            f"case.toml: lesion.drawn names place {case.drawn}, but {len(offered)} were drawn in the scans in use"
        )
    return offered[case.drawn - 1]


def taken(
    chosen: Offered | None, offered: Sequence[Offered], seeds: Sequence[Seed]
) -> tuple[tuple[Seed, ...], list[Note]]:
    """Seeds, with the offer that ``case.toml`` names (``chosen``), or the only one there is, put first."""
    if chosen is not None:
        rest = [s for s in seeds if s.scan != chosen.scan]
        return (Seed(chosen.scan, chosen.point), *rest), [_taken_note(chosen)]
    if seeds or not offered:
        return tuple(seeds), []
    only = offered[0]
    sized = only.volume_mm3 is None or SMALLEST_OFFER_MM3 <= only.volume_mm3 <= LARGEST_OFFER_MM3
    if len(offered) == 1 and sized:
        return (Seed(only.scan, only.point),), [_taken_note(only)]
    text = (
        f"{len(offered)} place(s) were drawn before; none is taken by itself. To take one, write [lesion] drawn = N "
        "in case.toml (inspect lists them)."
    )
    return (), [Note("drawn-offered", text, "info")]


def _taken_note(offer: Offered) -> Note:
    text = f"The lesion's position comes from a {offer.kind} drawn before in scan {offer.scan}."
    return Note("drawn-taken", text, "info", f"scan {offer.scan}")
