"""What happened over time: mass and volume apart, growth after three months, the muscle around, comparability."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from .change import Change
from .evidence import Evidence, because, change_words, direction_of, make, not_assessed, trimmed, withheld
from .scan import Acquisition
from .statements import Finding
from .wording import QUANTITIES, amount, listed, named, say, scan_numbers, with_interval

THREE_MONTHS_DAYS = 91
"""About three months; a teaching limit, none was published."""
AFTER_BIOPSY_DAYS = 42
"""For six weeks after a biopsy the muscle around is cautioned (from memory, no source)."""
NOISE_FLOOR_HU = 2.0
"""A deficit smaller than this either way is not called a difference (test-retest of muscle is about 1 HU)."""


def courses(evidence: Evidence) -> tuple[Finding, ...]:
    """Mineral mass, lesion volume, and the two together."""
    if len(evidence.outlined) < 2:
        text = say("not-assessed", scans="the course", why=say("course.one-scan"))
        return (withheld("together", text),)
    found = [
        *_course(evidence, "course.mass", "mineral_mass", "mg"),
        *_course(evidence, "course.volume", "lesion_volume", "mm3"),
        _together(evidence),
    ]
    return tuple(found)


def _course(evidence: Evidence, topic: str, quantity: str, unit: str) -> tuple[Finding, ...]:
    missing = not_assessed(evidence, topic, quantity)
    whole = evidence.overall(quantity)
    if whole is None:
        if missing:
            return missing
        why = say("course.no-change", quantity=named(quantity))
        return (withheld(topic, say("not-assessed", scans="the course", why=why)),)
    way = direction_of(whole)
    what = named(quantity)
    text = say(
        f"course.{way}",
        what=what if way == "unsettled" else what[0].upper() + what[1:],
        first=evidence.label(whole.from_scan),
        last=evidence.label(whole.to_scan),
        a=_value(evidence, whole.from_scan, quantity),
        b=_value(evidence, whole.to_scan, quantity),
        change=change_words(whole, unit),
        because=because(whole),
    )
    steps = evidence.steps(quantity)
    if len(steps) > 1:
        words = [
            say(
                "course.step",
                first=step.from_scan,
                last=step.to_scan,
                word=say(f"course.step.{direction_of(step)}"),
                change=change_words(step, unit),
            )
            for step in steps
        ]
        text += say("course.steps", list="; ".join(words))
    changes = [whole, *(step for step in steps if step is not whole)]
    rests = [(n, quantity) for n in evidence.scans if evidence.usable(n, quantity)]
    found = make(
        evidence,
        topic,
        f"{topic}.{way}",
        text,
        rests,
        limits=say("course.limits"),
        changes=changes,
    )
    return (found, *missing)


def _value(evidence: Evidence, scan: int, quantity: str) -> str:
    row = evidence.row(scan, quantity)
    return with_interval(row) if row is not None else say("tissue.no-value", why=evidence.why_not(scan, quantity))


def _together(evidence: Evidence) -> Finding:
    pair = _same_scans(evidence)
    if isinstance(pair, str):
        return withheld("together", say("not-assessed", scans="the course", why=pair))
    mass, volume = pair
    key = _together_key(mass, volume)
    ways = (("mineral_mass", direction_of(mass)), ("lesion_volume", direction_of(volume)))
    text = say(
        f"together.{key}",
        first=evidence.label(mass.from_scan),
        last=evidence.label(mass.to_scan),
        which=listed([named(q) for q, way in ways if way == "unsettled"]),
    )
    changes = [mass, volume]
    threshold = next(
        (
            c
            for c in evidence.changes_of("mineral_volume")
            if (c.from_scan, c.to_scan) == (mass.from_scan, mass.to_scan)
        ),
        None,
    )
    if threshold is not None and threshold.difference is not None and key.startswith("densifying"):
        text += say("together.threshold", change=change_words(threshold, "mm3"))
        changes.append(threshold)
    pairs = [
        (m, v)
        for m in evidence.steps("mineral_mass")
        for v in evidence.steps("lesion_volume")
        if (m.from_scan, m.to_scan) == (v.from_scan, v.to_scan)
    ]
    if len(pairs) > 1:
        words = [
            say(
                "together.step",
                first=m.from_scan,
                last=m.to_scan,
                word=say(f"together.step.{_together_key(m, v)}"),
            )
            for m, v in pairs
        ]
        text += say("together.steps", list="; ".join(words))
        changes += [c for pair in pairs for c in pair if c not in changes]
    rests = [(n, q) for n in (mass.from_scan, mass.to_scan) for q in ("mineral_mass", "lesion_volume")]
    return make(
        evidence,
        "together",
        f"together.{key}",
        text,
        rests,
        limits=say("together.limits"),
        sources=("Zeanah82",),
        changes=changes,
    )


def _together_key(mass: Change, volume: Change) -> str:
    m, v = direction_of(mass), direction_of(volume)
    if v == "rose":
        return "growing-mineral" if m == "rose" else "growing"
    if m == "rose" and v == "fell":
        return "densifying-shrinking"
    if "unsettled" in (m, v):
        return "unsettled"
    if m == "rose":
        return "densifying"
    if v == "fell":
        return "shrinking"
    return "losing" if m == "fell" else "steady"


def _same_scans(evidence: Evidence) -> tuple[Change, Change] | str:
    """Changes of mass and volume between the same two scans, the longest there is; or why there are none."""
    numbered = {
        q: {(c.from_scan, c.to_scan): c for c in evidence.changes_of(q) if c.difference is not None}
        for q in ("mineral_mass", "lesion_volume")
    }
    mass, volume = numbered["mineral_mass"], numbered["lesion_volume"]
    both = mass.keys() & volume.keys()
    if both:
        longest = max(both, key=lambda pair: (mass[pair].days, pair[1]))
        return mass[longest], volume[longest]
    lacking = [q for q, held in numbered.items() if not held]
    reasons = [trimmed(c.reason) for q in lacking for c in evidence.changes_of(q) if c.reason]
    words = listed([named(q) for q in lacking]) or "mass and volume over the same scans"
    return "; ".join(dict.fromkeys(reasons)) or say("course.no-change", quantity=words)


def late_growth(evidence: Evidence) -> tuple[Finding, ...]:
    """Whether the lesion grew after about three months."""
    numbered = [c for c in evidence.changes_of("lesion_volume") if evidence.day(c.to_scan) > THREE_MONTHS_DAYS]
    after = [c for c in numbered if evidence.day(c.from_scan) >= THREE_MONTHS_DAYS]
    change: Change | None = None
    if after:
        change = max(after, key=lambda c: (c.difference is not None, c.days, c.to_scan))
    elif numbered:
        # the latest start before day 91 leaves least of the earlier time in the comparison
        change = max(numbered, key=lambda c: (c.difference is not None, evidence.day(c.from_scan), c.days))
    if change is None:
        return (withheld("late", say("not-assessed", scans="the course", why=say("late.none"))),)
    way = {"rose": "grew", "fell": "not", "same": "not", "unsettled": "open"}[direction_of(change)]
    if way == "open" and change.high is not None and change.high <= 0:
        way = "not"  # whether it shrank is not settled, that it did not grow is
    text = say(
        f"late.{way}",
        first=evidence.label(change.from_scan),
        last=evidence.label(change.to_scan),
        a=_value(evidence, change.from_scan, "lesion_volume"),
        b=_value(evidence, change.to_scan, "lesion_volume"),
        change=change_words(change, "mm3"),
        because=because(change),
    )
    if not after:
        text += say("late.partly")
    if evidence.timeline.day_zero != "onset":
        text += say("late.first-scan")
    rests = [(n, "lesion_volume") for n in (change.from_scan, change.to_scan)]
    found = make(
        evidence,
        "late",
        f"late.{way}",
        text,
        rests,
        limits=say("late.limits"),
        sources=("teaching",),
        changes=[change],
    )
    return (found,)


def muscle_around(evidence: Evidence) -> tuple[Finding, ...]:
    """Attenuation of the muscle around against muscle elsewhere, cautioned for six weeks after a biopsy."""
    missing = not_assessed(evidence, "muscle", "perilesional_deficit")
    found = []
    scans = [n for n in evidence.scans if evidence.usable(n, "perilesional_deficit")]
    for scan in dict.fromkeys([*scans[-1:], *scans[:1]]):
        row, extent = evidence.row(scan, "perilesional_deficit"), evidence.row(scan, "oedema_extent")
        assert row is not None
        assert row.value is not None
        low, high = (row.value if v is None else v for v in (row.low, row.high))
        state = "lower" if low > 0 and row.value >= NOISE_FLOOR_HU else "same"
        if high < 0 and row.value <= -NOISE_FLOOR_HU:
            state = "higher"
        rests, words = [(scan, "perilesional_deficit")], ""
        if extent is not None and extent.value:
            rests.append((scan, "oedema_extent"))
            words = say("muscle.extent", extent=with_interval(extent)) if state == "lower" else ""
        text = say(f"muscle.{state}", scan=evidence.label(scan), deficit=with_interval(row), extent=words)
        since = [evidence.day(scan) - day for day in biopsy_days(evidence)]
        recent = [d for d in since if 0 <= d <= AFTER_BIOPSY_DAYS]
        found.append(
            make(
                evidence,
                "muscle",
                f"muscle.{state}",
                text,
                rests,
                limits=say("muscle.limits"),
                sources=("Zubler20", "Crombe23", "Goodpaster00"),
                cautions=[say("muscle.biopsy", days=min(recent))] if recent else [],
            )
        )
    return (*found, *missing)


def biopsy_days(evidence: Evidence) -> tuple[int, ...]:
    """Days on which tissue was taken, by events and by sites."""
    days = [e.day for e in evidence.timeline.events if e.kind == "biopsy"]
    days += [b.day for b in evidence.timeline.biopsies if b.day is not None]
    return tuple(sorted(set(days)))


def comparability(evidence: Evidence) -> tuple[Finding, ...]:
    """How alike the scans were made, what was not compared, and what the steady tissues say."""
    if len(evidence.scans) < 2:
        return ()
    limits = say("compare.limits")
    unlike = _unlike(evidence)
    text = say("compare.unlike", list="; ".join(unlike)) if unlike else say("compare.alike")
    key = "compare.unlike" if unlike else "compare.alike"
    found = [
        make(evidence, "compare", key, text, [], cautions=[], sources=("Nakazato09", "Muhlenbruch05") if unlike else ())
    ]
    found += _refused(evidence)
    steady = _steady(evidence)
    if steady:
        changes = list(steady.values())
        first, last = changes[0].from_scan, changes[0].to_scan
        items = [f"{named(q)} {amount(c.difference or 0.0, 'HU', signed=True)}" for q, c in steady.items()]
        text = say("compare.steady", first=evidence.label(first), last=evidence.label(last), list=listed(items))
        rests = [(n, q) for q in steady for n in (first, last)]
        found.append(make(evidence, "compare", "compare.steady", text, rests, limits=limits, changes=changes))
    for a in evidence.alignments:
        if a.trust == "withheld" and a.scan != a.reference_scan:
            why = trimmed(a.reason) or "the fit is not pinned"
            text = say("compare.alignment", scan=evidence.label(a.scan), reference=a.reference_scan, why=why)
            found.append(withheld("compare", text))
    return tuple(found)


def _unlike(evidence: Evidence) -> list[str]:
    def spread(read: Callable[[Acquisition], object], key: str, show: Callable[[object], str]) -> str:
        values = {n: read(evidence.timeline.scan(n).acquisition) for n in evidence.scans}
        known = [v for v in values.values() if v not in (None, "", "unknown")]
        if len(set(known)) < 2:
            return ""
        groups: dict[str, list[int]] = {}
        for n, v in values.items():
            if v not in (None, "", "unknown"):
                groups.setdefault(show(v), []).append(n)
        return say(key, values=", ".join(f"{word} in {scan_numbers(where)}" for word, where in groups.items()))

    def spacing(a: Acquisition) -> object:
        value = a.slice_spacing_mm if a.slice_spacing_mm is not None else a.slice_thickness_mm
        return None if value is None else round(value, 2)

    lines = [
        spread(lambda a: a.kvp, "compare.kvp", lambda v: f"{v:g} kV"),
        spread(spacing, "compare.slice", lambda v: f"{v:g} mm"),
        spread(lambda a: a.kernel_class, "compare.kernel", str),
        spread(lambda a: a.contrast_agent, "compare.contrast", lambda v: "given" if v else "not given"),
    ]
    return [line for line in lines if line]


def _refused(evidence: Evidence) -> list[Finding]:
    """Comparisons that were not made although both scans have a value; a missing value has a finding of its own."""
    groups: dict[tuple[int, int, str], list[str]] = {}
    for change in evidence.changes:
        ends = (change.from_scan, change.to_scan)
        both = all(evidence.usable(n, change.quantity) for n in ends)
        if change.difference is None and change.reason and both and change.quantity in QUANTITIES:
            groups.setdefault((*ends, trimmed(change.reason)), []).append(change.quantity)
    found = []
    for (first, last, why), quantities in groups.items():
        words = listed([named(q) for q in quantities])
        text = say("compare.refused", pair=f"scan {first} and scan {last}", quantities=words, why=why)
        found.append(withheld("compare", text, [(n, q) for q in quantities for n in (first, last)]))
    return found


def remaining(evidence: Evidence, said: Sequence[Finding]) -> tuple[Finding, ...]:
    """One finding per reason for withheld measurements that no other finding has named."""
    named_already = {at for f in said if f.trust == "withheld" for at in f.rests_on}
    groups: dict[str, dict[str, list[int]]] = {}
    for row in evidence.measurements:
        if (row.value is None or row.trust == "withheld") and (row.scan, row.quantity) not in named_already:
            why = trimmed(row.reason) or say("not-measured", quantity=named(row.quantity))
            groups.setdefault(why, {}).setdefault(row.quantity, []).append(row.scan)
    found = []
    for why, held in groups.items():
        by_scans: dict[tuple[int, ...], list[str]] = {}
        for quantity, scans in held.items():
            by_scans.setdefault(tuple(scans), []).append(quantity)
        for where, quantities in by_scans.items():
            words = listed([named(q) for q in quantities])
            text = say("withheld", scans=scan_numbers(where), quantities=words, why=why)
            found.append(withheld("withheld", text, [(n, q) for n in where for q in quantities]))
    return tuple(found)


def _steady(evidence: Evidence) -> dict[str, Change]:
    tissues = ("fat_reference", "reference_muscle", "cortex_reference")
    whole = {q: evidence.overall(q) for q in tissues}
    known = {q: c for q, c in whole.items() if c is not None and c.difference is not None}
    pairs = [(c.from_scan, c.to_scan) for c in known.values()]
    return {q: c for q, c in known.items() if (c.from_scan, c.to_scan) == pairs[0]} if pairs else {}
