"""How the mineral is laid: zoning and its direction, the rim, the centre, and a working description of maturity."""

from __future__ import annotations

from .evidence import (
    Evidence,
    because,
    change_brief,
    change_words,
    direction_of,
    make,
    not_assessed,
    trimmed,
    unassessed,
)
from .place import LEAST_SAID, gap_words
from .statements import Finding
from .states import maturity_of, rim_state, zoning_state
from .wording import amount, listed, say, with_interval

LEAST_PART = 0.05
"""Share of the centre from which what it holds is listed."""
CLASSES = ("fat", "fluid", "soft", "haze", "mineral")


def zoning(evidence: Evidence) -> tuple[Finding, ...]:
    """Periphery, centre, none or reversed in the last scan that tells, and its course."""
    states = {n: zoning_state(evidence, n) for n in evidence.scans}
    missing = tuple(
        f for f in not_assessed(evidence, "zoning", "zonal_contrast") if any(states[n] is None for n, _ in f.rests_on)
    )
    known = [n for n in evidence.scans if states[n] is not None]
    if not known:
        return missing
    return (_zoning_now(evidence, known[-1], str(states[known[-1]])), *missing, *_zoning_course(evidence, states))


def _zoning_now(evidence: Evidence, scan: int, state: str) -> Finding:
    label = evidence.label(scan)
    if state == "none":
        mass = evidence.row(scan, "mineral_mass")
        text = say("zoning.none", scan=label, mass=with_interval(mass) if mass is not None else "no voxel over 150 HU")
        return make(
            evidence,
            "zoning",
            "zoning.none",
            text,
            [(scan, "mineral_mass")],
            limits=say("zoning.none.limits"),
            sources=("WangH18", "Crombe23"),
            brief=evidence.brief_of(scan, say("brief.zoning.none")),
        )
    contrast, difference = evidence.row(scan, "zonal_contrast"), evidence.row(scan, "rim_core_difference")
    assert contrast is not None
    rests, words, note = [(scan, "zonal_contrast")], "", ""
    if difference is not None and difference.value is not None:
        rests.append((scan, "rim_core_difference"))
        words = say("zoning.difference", difference=with_interval(difference))
        opposite = (state == "periphery" and (difference.high or 0) < 0) or (
            state in ("reversed", "centre") and (difference.low or 0) > 0
        )
        note = say("zoning.disagree") if opposite else ""
    text = say(f"zoning.{state}", scan=label, contrast=with_interval(contrast), difference=words) + note
    return make(
        evidence,
        "zoning",
        f"zoning.{state}",
        text,
        rests,
        limits=say("zoning.limits"),
        sources=("Hudson85",),
        brief=evidence.brief_of(scan, say(f"brief.zoning.{state}")),
    )


def _zoning_course(evidence: Evidence, states: dict[int, str | None]) -> tuple[Finding, ...]:
    found = []
    sided = [n for n, s in states.items() if s in ("periphery", "reversed", "centre")]
    inward = {n: states[n] == "periphery" for n in sided}
    if sided and inward[sided[0]] != inward[sided[-1]]:
        words = {n: "denser at the periphery" if inward[n] else "denser in the centre" for n in sided}
        first, last = sided[0], sided[-1]
        text = say(
            "zoning-course.flip",
            first=evidence.label(first),
            last=evidence.label(last),
            first_state=words[first],
            last_state=words[last],
        )
        rests = [(first, "zonal_contrast"), (last, "zonal_contrast")]
        brief = say("brief.zoning-course.flip")
        found.append(make(evidence, "zoning-course", "zoning-course.flip", text, rests, brief=brief))
    change = evidence.overall("rim_core_difference")
    if change is None or change.difference is None:
        if len(evidence.outlined) > 1:
            why = (
                say("course.no-change", quantity="outer and central zone") if change is None else trimmed(change.reason)
            )
            found.append(unassessed("zoning-course", why))
        return tuple(found)
    way = {"rose": "outward", "fell": "inward", "same": "steady", "unsettled": "unsettled"}[direction_of(change)]
    text = say(
        f"zoning-course.{way}",
        first=evidence.label(change.from_scan),
        last=evidence.label(change.to_scan),
        change=change_words(change, "HU"),
        because=because(change),
    )
    rests = [(change.from_scan, "rim_core_difference"), (change.to_scan, "rim_core_difference")]
    found.append(
        make(
            evidence,
            "zoning-course",
            f"zoning-course.{way}",
            text,
            rests,
            limits=say("zoning-course.limits"),
            changes=[change],
            brief=say(f"brief.zoning-course.{way}", change=change_brief(change, "HU")),
        )
    )
    return tuple(found)


def rim(evidence: Evidence) -> tuple[Finding, ...]:
    """How far the rim runs round, where its largest gap faces, and what is unresolved."""
    missing = not_assessed(evidence, "rim", "rim_completeness")
    scan = evidence.latest("rim_completeness")
    if scan is None:
        return missing
    row, hidden = evidence.row(scan, "rim_completeness"), evidence.row(scan, "rim_unresolved")
    state = rim_state(evidence, scan)
    assert row is not None
    assert state is not None
    unresolved = ""
    rests = [(scan, "rim_completeness")]
    if hidden is not None and hidden.value is not None:
        rests.append((scan, "rim_unresolved"))
        if hidden.value >= LEAST_SAID:
            unresolved = say("rim.unresolved", unresolved=with_interval(hidden))
    gap = gap_words(evidence, scan) if state != "none" else ""
    if gap:
        rests.append((scan, "largest_gap"))
    text = say(
        f"rim.{state}",
        scan=evidence.label(scan),
        completeness=with_interval(row),
        unresolved=unresolved,
        gap=gap,
    )
    found = make(
        evidence,
        "rim",
        f"rim.{state}",
        text,
        rests,
        limits=say("rim.limits"),
        sources=("Treece10",),
        brief=evidence.brief_of(scan, say(f"brief.rim.{state}", completeness=with_interval(row))),
    )
    return (found, *missing)


def centre(evidence: Evidence) -> tuple[Finding, ...]:
    """What the core is made of, in classes of attenuation."""
    shares = tuple(f"core_{name}_fraction" for name in CLASSES)
    missing = not_assessed(evidence, "centre", "core_attenuation")
    scan = evidence.latest("core_attenuation")
    if scan is None:
        return missing
    mean = evidence.row(scan, "core_attenuation")
    assert mean is not None
    known = {name: evidence.row(scan, q) for name, q in zip(CLASSES, shares, strict=True)}
    rests = [(scan, "core_attenuation"), *((scan, q) for q in shares if evidence.usable(scan, q))]
    if all(row is None for row in known.values()):
        text = say(
            "centre.mean-only",
            scan=evidence.label(scan),
            mean=with_interval(mean),
            why=evidence.why_not(scan, "core_soft_fraction"),
        )
        limits, brief = say("centre.limits"), say("brief.centre.mean-only", mean=with_interval(mean))
        brief = evidence.brief_of(scan, brief)
        return (make(evidence, "centre", "centre.mean-only", text, rests, limits=limits, brief=brief), *missing)
    have = {name: row for name, row in known.items() if row is not None and row.value is not None}
    size = {name: float(row.value or 0) for name, row in have.items()}
    order = sorted(have, key=lambda name: -size[name])
    items = [f"{amount(100 * size[name], '%')} {say('centre.' + name)}" for name in order if size[name] >= LEAST_PART]
    mainly = order[0] if size[order[0]] > 0.5 else ""
    kind = "mainly" if mainly else "mixed" if items else "between"
    text = say(
        f"centre.{kind}",
        scan=evidence.label(scan),
        kind=say("centre." + mainly) if mainly else "",
        list=listed(items),
        mean=with_interval(mean),
    )
    key = f"centre.{mainly or kind}"
    brief = say(
        f"brief.centre.{kind}",
        kind=say(f"centre.{mainly}") if mainly else "",
        mean=with_interval(mean),
    )
    brief = evidence.brief_of(scan, brief)
    return (make(evidence, "centre", key, text, rests, limits=say("centre.limits"), brief=brief), *missing)


MATURITY_SOURCES: dict[str, tuple[str, ...]] = {
    "none": ("Sato25", "CambMurray"),
    "incomplete": ("JAOCR-case", "BennettElKhoury13"),
    "shell": ("KSMR356", "BennettElKhoury13"),
    "fatty": ("Sato25", "CambMurray"),
}


def maturity(evidence: Evidence, departs: str = "") -> tuple[Finding, ...]:
    """A working description of the last scan beside the days that the literature reports.

    ``departs`` says in words in what else the lesion is unlike one that matures from its periphery.
    """
    if not evidence.outlined:
        return not_assessed(evidence, "maturity", "rim_completeness")
    scan = evidence.outlined[-1]
    needed = ("rim_completeness", "zonal_contrast")
    rests = [(scan, q) for q in needed]
    kind = maturity_of(evidence, scan)
    if kind == "other":
        why = say("maturity.not-peripheral")
        return (unassessed("maturity", why, rests, scans=f"scan {scan}", key="maturity.not-peripheral"),)
    if not kind:
        return (unassessed("maturity", evidence.why_not(scan, *needed), rests, scans=f"scan {scan}"),)
    if kind == "none":
        rests = [(scan, "mineral_mass")]
    elif kind in ("shell", "fatty") and evidence.usable(scan, "core_fat_fraction"):
        rests.append((scan, "core_fat_fraction"))
    onset = evidence.timeline.day_zero == "onset"
    text = say(
        f"maturity.{kind}",
        scan=evidence.label(scan),
        literature=say(f"maturity.literature.{kind}"),
        day=say("maturity.day", day=evidence.day(scan)) if onset else say("maturity.no-onset"),
    )
    text += say("maturity.departs", which=departs) if departs else ""
    found = make(
        evidence,
        "maturity",
        f"maturity.{kind}",
        text,
        rests,
        limits=say("maturity.limits"),
        sources=MATURITY_SOURCES[kind],
        brief=say(f"brief.maturity.{kind}"),
    )
    return (found,)
