"""The five answers at the top of the page: where, mineral, course, needle, and what to distrust."""

from __future__ import annotations

from collections.abc import Sequence

from ..base import Trust, worst
from ..change import Change
from .evidence import Evidence, change_brief, direction_of, lean_of, trimmed
from .place import relation_words
from .statements import Answer, BiopsyReport, Finding, Zone
from .states import rim_state, zoning_state
from .wording import ZONE_WORDS, amount, listed, named, say, scan_numbers, with_interval

ANOTHER = frozenset({"shape-differs", "shape-differs-thick", "size-differs", "soft-tissue-differs", "upside-down"})
"""Codes by which an alignment says that a scan may be of another person or limb."""
ALL_ZONES: tuple[Zone, ...] = ("rim", "middle", "core")


def answers(evidence: Evidence, said: Sequence[Finding], biopsies: Sequence[BiopsyReport] = ()) -> tuple[Answer, ...]:
    """One short answer to each of the five questions, each with its trust and the findings it rests on.

    ``said`` are the findings, ``biopsies`` the reports of the same case. A missing answer says why, as everything does;
    that there is no mineral is an answer.
    """
    return (
        _place(evidence, said),
        _mineral(evidence),
        _course(evidence),
        _needle(biopsies),
        _distrust(evidence, said),
    )


def _place(evidence: Evidence, said: Sequence[Finding]) -> Answer:
    found = [f for f in said if f.key.startswith("relation.")]
    told = next((f for f in found if f.trust != "withheld"), None)
    if told is None:
        scan = evidence.scans[-1]
        why = evidence.why_not(scan, "cortex_gap", "cortex_contact_area")
        return Answer("place", say("answer.place.none", why=why), "withheld", "relation")
    scan = max(n for n, _ in told.rests_on)
    text = say("answer.place", scan=evidence.label(scan), relation=relation_words(evidence, scan))
    return Answer("place", text, told.trust, "relation")


def _mineral(evidence: Evidence) -> Answer:
    states = {n: zoning_state(evidence, n) for n in evidence.scans}
    known = [n for n, state in states.items() if state is not None]
    if not known:
        return _mineral_unknown(evidence)
    scan = known[-1]
    state = str(states[scan])
    trust = _trust(evidence, scan, "mineral_mass" if state == "none" else "zonal_contrast")
    if state == "none":
        never = all(states[n] == "none" for n in known) and len(known) == len(evidence.scans)
        key = "answer.mineral.none" if never else "answer.mineral.none-last"
        return Answer("mineral", say(key, scan=evidence.label(scan)), trust, "zoning")
    shell = rim_state(evidence, scan)
    row = evidence.row(scan, "rim_completeness")
    words = say(f"answer.shell.{shell or 'unassessed'}", completeness="" if row is None else with_interval(row))
    if row is not None:
        trust = worst(trust, row.trust)
    return Answer("mineral", say(f"answer.mineral.{state}", scan=evidence.label(scan), shell=words), trust, "zoning")


def _mineral_unknown(evidence: Evidence) -> Answer:
    scan = evidence.latest("mineral_mass")
    if scan is not None:
        mass = evidence.row(scan, "mineral_mass")
        assert mass is not None
        why = evidence.why_not(scan, "zonal_contrast")
        text = say("answer.mineral.mass-only", scan=evidence.label(scan), mass=with_interval(mass), why=why)
        return Answer("mineral", text, "caution", "zoning")
    why = evidence.why_not(evidence.scans[-1], "zonal_contrast")
    return Answer("mineral", say("answer.mineral.unassessed", why=why), "withheld", "zoning")


def _trust(evidence: Evidence, scan: int, quantity: str) -> Trust:
    row = evidence.row(scan, quantity)
    return "ok" if row is None else row.trust


def _course(evidence: Evidence) -> Answer:
    if len(evidence.outlined) < 2:
        return Answer("course", say("answer.course.one"), "withheld", "together")
    pair = evidence.baseline
    volume, mass = evidence.overall("lesion_volume"), evidence.overall("mineral_mass")
    bare = all(evidence.no_mineral(n) for n in pair)
    parts = {
        "volume": say(f"answer.course.volume.{_way(volume)}", change=_span(volume, pair, "mm3")),
        "mass": say("answer.course.mass.none")
        if bare
        else say(f"answer.course.mass.{_way(mass)}", change=_span(mass, pair, "mg")),
    }
    levels: list[Trust] = []
    for change in (volume,) if bare else (volume, mass):
        sure = change is not None and change.real != "unsure" and change.difference is not None
        levels.append("caution" if not sure or change is None or not evidence.trusted(change) else "ok")
    if all(c is None or c.difference is None for c in (volume, mass)):
        levels.append("withheld")
    first, last = (evidence.label(n) for n in pair)
    text = say("answer.course", first=_capital(first), last=last, **parts)
    return Answer("course", text, worst(*levels), "together")


def _way(change: Change | None) -> str:
    """The last part of the key that says which way a quantity went."""
    if change is None or change.difference is None:
        return "unassessed"
    lean = lean_of(change)
    return f"within-{lean}" if lean else direction_of(change)


def _span(change: Change | None, pair: tuple[int, int], unit: str) -> str:
    """The change in brackets, with its scans where they are not the pair that the answer names."""
    if change is None or change.difference is None:
        return ""
    words = change_brief(change, unit)
    if (change.from_scan, change.to_scan) != pair:
        words = f"scan {change.from_scan} to {change.to_scan}: {words}"
    return f" ({words})"


def _needle(biopsies: Sequence[BiopsyReport]) -> Answer:
    if not biopsies:
        return Answer("needle", say("answer.needle.none"), "ok", "biopsy")
    said: list[str] = []
    for report in biopsies:
        site = report.site
        if site.trust == "withheld" or site.zone is None:
            said.append(say("answer.needle.unplaced", number=report.number, why=trimmed(site.reason)))
            continue
        share = dict(report.lesion_share)
        if not report.zones:
            said.append(say("answer.needle.missed", number=report.number))
        elif len(report.zones) == 1:
            zone = report.zones[0]
            part = amount(100 * share.get(zone, 0.0), "%")
            said.append(say("answer.needle.one", number=report.number, zone=ZONE_WORDS[zone], share=part))
        else:
            whole = set(report.zones) == set(ALL_ZONES)
            words = listed([f"the {ZONE_WORDS[z]}" for z in report.zones])
            key = "answer.needle.all" if whole else "answer.needle.more"
            text = say(key, number=report.number, zones=words)
            if site.zone in ALL_ZONES:
                text += say("answer.needle.target", zone=ZONE_WORDS[site.zone])
            said.append(text)
    return Answer("needle", " ".join(said), worst(*(r.trust for r in biopsies)), "biopsy")


def _distrust(evidence: Evidence, said: Sequence[Finding]) -> Answer:
    others = [a for a in evidence.alignments if a.scan != a.reference_scan]
    strangers = [a.scan for a in others if any(v.code in ANOTHER for v in a.verdicts)]
    misfits = [a.scan for a in others if a.trust == "withheld" and a.scan not in strangers]
    lines = []
    if strangers:
        lines.append(say("answer.distrust.stranger", scans=_capital(scan_numbers(strangers))))
    if misfits:
        lines.append(say("answer.distrust.misfit", scans=_capital(scan_numbers(misfits))))
    lost = [n for n in evidence.scans if n not in evidence.measured and n not in (*strangers, *misfits)]
    if lost:
        lines.append(say("answer.distrust.lost", scans=scan_numbers(lost)))
    refused = [q for f in said if f.key == "compare.refused" for _, q in f.rests_on]
    if refused:
        names = list(dict.fromkeys(named(q) for q in refused))
        words = listed(names) if len(names) < 3 else say("brief.many", count=len(names))
        lines.append(say("answer.distrust.refused", quantities=words))
    doubted = [n for n in evidence.scans if evidence.trust(n, "lesion_volume") in ("caution", "withheld")]
    unsure = [n for n in doubted if n not in (*lost, *misfits, *strangers)]
    if unsure:
        lines.append(say("answer.distrust.outline", scans=scan_numbers(unsure)))
    unlike = next((f for f in said if f.key == "compare.unlike"), None)
    if unlike is not None and not refused and len(lines) < 2:
        lines.append(say("answer.distrust.unlike", what=unlike.brief.partition(": ")[2]))
    if evidence.timeline.day_zero != "onset" and len(lines) < 2:
        lines.append(say("answer.distrust.onset"))
    if not lines:
        return Answer("distrust", say("answer.distrust.nothing"), "ok", "cautions")
    trust: Trust = "withheld" if strangers or misfits or lost else "caution"
    return Answer("distrust", " ".join(lines[:3]), trust, "cautions")


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
