"""How the mineral is laid: zoning and its direction, the rim, the centre, and a working description of maturity."""

from __future__ import annotations

from .evidence import Evidence, because, change_brief, change_words, direction_of, make, not_assessed, unassessed
from .place import gap_words
from .statements import Finding
from .wording import amount, listed, say, with_interval

CENTRE_ONLY = -0.9
"""Zonal contrast at and below which practically all mineral lies in the centre (95 : 5 by mean density)."""
NO_RIM = 0.05
"""Completeness below which there is no rim; a working limit, none was published."""
ALL_ROUND = 0.95
"""Completeness, with the unresolved part allowed for, from which the rim runs all round; a working limit."""
FATTY_CORE = 0.25
"""Share of the core at -30 HU and below from which the centre is called fatty; a working limit."""
CLASSES = ("fat", "fluid", "soft", "haze", "mineral")


def zoning_state(evidence: Evidence, scan: int) -> str | None:
    """``none``, ``periphery``, ``reversed``, ``centre`` or ``even``; ``None`` where it was not assessed."""
    if evidence.no_mineral(scan):
        return "none"
    row = evidence.row(scan, "zonal_contrast")
    if row is None or row.value is None:
        return None
    low, high = (row.value if v is None else v for v in (row.low, row.high))
    if low > 0:
        return "periphery"
    if high < 0:
        return "centre" if row.value <= CENTRE_ONLY else "reversed"
    return "even"


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
            brief=say("brief.zoning.none"),
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
        brief=say(f"brief.zoning.{state}"),
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
    if change is None:
        if len(evidence.outlined) > 1:
            why = say("course.no-change", quantity="outer and central zone")
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


def rim_state(evidence: Evidence, scan: int) -> str | None:
    """``none``, ``solid``, ``part``, ``most``, ``complete`` or ``open`` (not settled); ``None`` where not assessed."""
    row = evidence.row(scan, "rim_completeness")
    if row is None or row.value is None:
        return "none" if evidence.no_mineral(scan) else None
    hidden = evidence.value(scan, "rim_unresolved") or 0.0
    low, high = (row.value if v is None else v for v in (row.low, row.high))
    if high < NO_RIM or evidence.no_mineral(scan):
        return "none"
    if evidence.solid(scan):
        return "solid"
    if low + hidden >= ALL_ROUND:
        return "complete"
    if high + hidden >= ALL_ROUND:
        return "complete" if row.value + hidden >= ALL_ROUND else "open"
    return "part" if row.value < 0.5 else "most"


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
        if hidden.value >= 0.005:
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
        brief=say(f"brief.rim.{state}", completeness=with_interval(row)),
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
        return (make(evidence, "centre", "centre.mean-only", text, rests, limits=limits, brief=brief), *missing)
    have = {name: row for name, row in known.items() if row is not None and row.value is not None}
    size = {name: float(row.value or 0) for name, row in have.items()}
    order = sorted(have, key=lambda name: -size[name])
    items = [f"{amount(100 * size[name], '%')} {say('centre.' + name)}" for name in order if size[name] >= 0.05]
    mainly = order[0] if size[order[0]] > 0.5 else ""
    text = say(
        "centre.mainly" if mainly else "centre.mixed",
        scan=evidence.label(scan),
        kind=say("centre." + mainly) if mainly else "",
        list=listed(items) if items else "no class reaches 5 %",
        mean=with_interval(mean),
    )
    key = f"centre.{mainly}" if mainly else "centre.mixed"
    brief = say(
        "brief.centre.mainly" if mainly else "brief.centre.mixed",
        kind=say(f"centre.{mainly}") if mainly else "",
        mean=with_interval(mean),
    )
    return (make(evidence, "centre", key, text, rests, limits=say("centre.limits"), brief=brief), *missing)


def maturity_of(evidence: Evidence, scan: int) -> str:
    """The measured picture of one scan: ``none``, ``incomplete``, ``shell`` or ``fatty``; else why there is none.

    ``other`` where mineral is not at the periphery, empty where it was not assessed. Days play no part.
    """
    zone, round_ = zoning_state(evidence, scan), rim_state(evidence, scan)
    if zone in ("reversed", "centre", "even") or round_ == "solid":
        return "other"
    if zone == "none" or round_ == "none":
        return "none"
    if zone is None or round_ is None:
        return ""
    if round_ != "complete":
        return "incomplete"
    fat = evidence.row(scan, "core_fat_fraction")
    return "fatty" if fat is not None and (fat.value or 0) >= FATTY_CORE else "shell"


MATURITY_SOURCES: dict[str, tuple[str, ...]] = {
    "none": ("Sato25", "CambMurray"),
    "incomplete": ("JAOCR-case", "BennettElKhoury13"),
    "shell": ("KSMR356", "BennettElKhoury13"),
    "fatty": ("Sato25", "CambMurray"),
}


def maturity(evidence: Evidence) -> tuple[Finding, ...]:
    """A working description of the last scan beside the days that the literature reports."""
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
