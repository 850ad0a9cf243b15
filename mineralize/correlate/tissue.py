"""Tissue that the literature describes, zone by zone and stage by stage, beside what was measured there.

The stages are those usually quoted: early under 4 weeks, intermediate 4 to 8 weeks, mature over 8 weeks (Tyler and
Saifuddin 2010, Kransdorf 1991; the limits from memory). A scan is laid beside a stage by what was measured in it, never
by its day, and beside none where the lesion departs from the picture of one that matures from its periphery.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from ..measure import Measurement
from ..timeline import Timeline
from .evidence import Evidence
from .picture import picture_of
from .sources import cite
from .statements import ExpectedTissue, Finding
from .states import maturity_of
from .wording import TISSUE, TISSUE_DAYS, say, with_interval

Stage = Literal["early", "intermediate", "mature"]
TissueZone = Literal["centre", "middle", "periphery"]

STAGES: tuple[Stage, ...] = ("early", "intermediate", "mature")
ZONES: tuple[TissueZone, ...] = ("centre", "middle", "periphery")
STAGE_OF: dict[str, Stage] = {
    "none": "early",
    "incomplete": "intermediate",
    "shell": "intermediate",
    "fatty": "mature",
}
"""Stage whose description a measured picture (``mineral.maturity_of``) is that of (sources: word table ``TISSUE``)."""

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


def expected_tissue(
    timeline: Timeline, measurements: Sequence[Measurement], said: Sequence[Finding] = ()
) -> tuple[ExpectedTissue, ...]:
    """Nine rows: three zones (from the centre out) by three stages.

    ``said`` are the findings: where they depart from the picture of a lesion that matures from its periphery, no scan
    is laid beside any stage, and ``limits`` says why.
    """
    evidence = Evidence(timeline, tuple(measurements))
    picture = picture_of(said)
    limits = say("tissue.limits")
    scans: dict[Stage, list[int]] = {stage: [] for stage in STAGES}
    biopsies: dict[Stage, list[int]] = {stage: [] for stage in STAGES}
    if picture.departs:
        limits += " " + say("tissue.departs", which=picture.departing_words())
    else:
        for scan in timeline.scans:
            stage = STAGE_OF.get(maturity_of(evidence, scan.number))
            if stage is not None:
                scans[stage].append(scan.number)
        for number, site in enumerate(timeline.biopsies, start=1):
            for stage in STAGES:
                if site.scan in scans[stage]:
                    biopsies[stage].append(number)
    rows = []
    for zone in ZONES:
        for stage in STAGES:
            tissue, on_ct = TISSUE[zone, stage]
            measured = tuple(dict.fromkeys(_measured(evidence, n, zone) for n in scans[stage]))
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
    def value(quantity: str) -> str:
        row = evidence.row(scan, quantity)
        if row is None:
            return say("tissue.no-value", why=evidence.why_not(scan, quantity))
        return with_interval(row)

    label = evidence.label(scan)
    if zone == "middle":
        return say("tissue.middle")
    if zone == "periphery":
        return say(
            "tissue.rim",
            scan=label,
            rim=value("rim_attenuation"),
            completeness=value("rim_completeness"),
            thickness=value("rim_thickness"),
        )
    shares = {name: value(f"core_{name}_fraction") for name in ("fat", "fluid", "soft", "haze", "mineral")}
    return say("tissue.core", scan=label, core=value("core_attenuation"), **shares)
