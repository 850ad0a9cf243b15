"""Tissue that the literature describes, zone by zone and stage by stage, beside what was measured there.

The stages are those usually quoted: early under 4 weeks, intermediate 4 to 8 weeks, mature over 8 weeks (Tyler and
Saifuddin 2010, Kransdorf 1991; the limits from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from ..measure import Measurement
from ..timeline import Timeline
from .evidence import Evidence
from .sources import cite
from .statements import ExpectedTissue
from .wording import TISSUE, TISSUE_DAYS, say, with_interval

Stage = Literal["early", "intermediate", "mature"]
TissueZone = Literal["centre", "middle", "periphery"]

STAGES: tuple[Stage, ...] = ("early", "intermediate", "mature")
ZONES: tuple[TissueZone, ...] = ("centre", "middle", "periphery")
EARLY_ENDS_DAY = 28
INTERMEDIATE_ENDS_DAY = 56

_SOURCES: dict[tuple[TissueZone, Stage], tuple[str, ...]] = {
    ("centre", "early"): ("Ackerman58", "Kransdorf91", "WangH18", "IJP20"),
    ("centre", "intermediate"): ("Ackerman58", "Kransdorf91", "IJP20"),
    ("centre", "mature"): ("Kransdorf91", "Sato25", "practice"),
    ("middle", "early"): ("Ackerman58", "BennettElKhoury13", "Lacout12"),
    ("middle", "intermediate"): ("Ackerman58", "BennettElKhoury13", "IJP20"),
    ("middle", "mature"): ("Ackerman58", "BennettElKhoury13"),
    ("periphery", "early"): ("Ackerman58", "BennettElKhoury13", "KSMR356"),
    ("periphery", "intermediate"): ("Ackerman58", "BennettElKhoury13", "KSMR356"),
    ("periphery", "mature"): ("Ackerman58", "CambMurray", "KSMR356"),
}


def stage_of(day: int) -> Stage:
    """The stage that is usually quoted for a day from onset."""
    if day < EARLY_ENDS_DAY:
        return "early"
    return "intermediate" if day <= INTERMEDIATE_ENDS_DAY else "mature"


def expected_tissue(timeline: Timeline, measurements: Sequence[Measurement]) -> tuple[ExpectedTissue, ...]:
    """Nine rows: three zones (from the centre out) by three stages.

    Scans and biopsies are assigned to stages only where days count from onset; otherwise they are left out and
    ``limits`` says why.
    """
    evidence = Evidence(timeline, tuple(measurements))
    onset = timeline.day_zero == "onset"
    limits = say("tissue.limits") + ("" if onset else " " + say("tissue.no-onset"))
    scans: dict[Stage, list[int]] = {stage: [] for stage in STAGES}
    biopsies: dict[Stage, list[int]] = {stage: [] for stage in STAGES}
    if onset:
        for scan in timeline.scans:
            if scan.day >= 0:
                scans[stage_of(scan.day)].append(scan.number)
        for number, site in enumerate(timeline.biopsies, start=1):
            if site.day is not None and site.day >= 0:
                biopsies[stage_of(site.day)].append(number)
    rows = []
    for zone in ZONES:
        for stage in STAGES:
            tissue, on_ct = TISSUE[zone, stage]
            measured = tuple(_measured(evidence, n, zone) for n in scans[stage])
            rows.append(
                ExpectedTissue(
                    zone=zone,
                    stage=stage,
                    days=TISSUE_DAYS[stage],
                    tissue=tissue,
                    on_ct=on_ct,
                    scans=tuple(scans[stage]),
                    biopsies=tuple(biopsies[stage]),
                    measured=measured,
                    sources=cite(*_SOURCES[zone, stage], "Tyler10"),
                    limits=limits,
                )
            )
    return tuple(rows)


def _measured(evidence: Evidence, scan: int, zone: TissueZone) -> str:
    def value(quantity: str, *, percent: bool = False) -> str:
        row = evidence.row(scan, quantity)
        if row is None:
            return say("tissue.no-value", why=evidence.why_not(scan, quantity))
        return with_interval(row, percent=percent)

    label = evidence.label(scan)
    if zone == "middle":
        return say("tissue.middle", scan=label)
    if zone == "periphery":
        return say(
            "tissue.rim",
            scan=label,
            rim=value("rim_attenuation"),
            completeness=value("rim_completeness", percent=True),
            thickness=value("rim_thickness"),
        )
    shares = {
        name: value(f"core_{name}_fraction", percent=True) for name in ("fat", "fluid", "soft", "haze", "mineral")
    }
    return say("tissue.core", scan=label, core=value("core_attenuation"), **shares)
