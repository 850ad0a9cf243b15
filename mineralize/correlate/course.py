"""What happened over time: mass and volume apart, growth after three months, the muscle around, comparability."""

from __future__ import annotations

from ..change import LEAST_SCANS, Change, CourseParameter
from .evidence import (
    Evidence,
    because,
    change_brief,
    change_words,
    direction_of,
    lean_of,
    make,
    not_assessed,
    trimmed,
    unassessed,
    withheld,
)
from .statements import Finding
from .wording import amount, listed, named, say, with_interval

THREE_MONTHS_DAYS = 91
"""About three months; a teaching limit, none was published."""
AFTER_BIOPSY_DAYS = 42
"""For six weeks after a biopsy the muscle around is cautioned (from memory, no source)."""
NOISE_FLOOR_HU = 2.0
"""A deficit smaller than this either way is not called a difference (test-retest of muscle is about 1 HU)."""


def courses(evidence: Evidence) -> tuple[Finding, ...]:
    """Mineral mass, lesion volume, and the two together."""
    if len(evidence.outlined) < 2:
        return (unassessed("together", say("course.one-scan")),)
    found = [
        *_course(evidence, "course.mass", "mineral_mass", "mg"),
        *_course(evidence, "course.volume", "lesion_volume", "mm3"),
        _together(evidence),
        *_fitted(evidence),
    ]
    return tuple(found)


def _fitted(evidence: Evidence) -> tuple[Finding, ...]:
    """The curves fitted to mass and volume in one finding; none where too few scans give a value."""
    texts, rests, any_curve = [], [], False
    for curve in evidence.curves:
        held = [point for point in curve.points if point.value is not None]
        if curve.course is None or len(held) < LEAST_SCANS:
            continue
        what = named(curve.quantity)
        rests += [(point.scan, curve.quantity) for point in held]
        if not curve.course.model:
            texts.append(say("fitted.none", what=what, why=curve.course.reason))
            continue
        any_curve = True
        texts.append(
            say(
                "fitted.curve",
                what=what[0].upper() + what[1:],
                model=say(f"fitted.model.{curve.course.model}"),
                first=evidence.label(held[0].scan),
                last=evidence.label(held[-1].scan),
                parameters="; ".join(_parameter(p) for p in curve.course.parameters),
            )
        )
    if not texts:
        return ()
    if not any_curve:
        return (withheld("fitted", " ".join(texts), rests, brief=say("brief.fitted.none")),)
    key, brief = "fitted.curve", say("brief.fitted.curve")
    return (make(evidence, "fitted", key, " ".join(texts), rests, limits=say("fitted.limits"), brief=brief),)


def _parameter(p: CourseParameter) -> str:
    name = say(f"fitted.part.{p.name}")
    if p.value is None or p.low is None or p.high is None:
        return say("fitted.part.none", name=name, why=p.reason)
    if p.name == "half_rise_day":
        value, low, high = (f"{v:.0f}" for v in (p.value, p.low, p.high))
    elif p.name == "plateau":
        value, low, high = (amount(v, p.unit) for v in (p.value, p.low, p.high))
    else:
        value, low, high = (f"{v:.2g}" for v in (p.value, p.low, p.high))
    return say("fitted.part", name=name, value=value, low=low, high=high)


def _course(evidence: Evidence, topic: str, quantity: str, unit: str) -> tuple[Finding, ...]:
    missing = not_assessed(evidence, topic, quantity)
    whole = evidence.overall(quantity)
    if whole is None:
        if missing:
            return missing
        why = say("course.no-change", quantity=named(quantity))
        return (unassessed(topic, why),)
    if whole.difference is None:
        # what is missing in a scan has said so; a pair that was refused says why
        return missing or (unassessed(topic, trimmed(whole.reason)),)
    way = direction_of(whole)
    words_key = f"within-{lean}" if (lean := lean_of(whole)) else way
    what = named(quantity)
    text = say(
        f"course.{words_key}",
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
                word=say(f"course.step.{'within' if lean_of(step) else direction_of(step)}"),
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
        cautions=evidence.solid_caution(*(n for n, _ in rests)) if quantity == "lesion_volume" else [],
        brief=say(f"brief.course.{words_key}", change=change_brief(whole, unit)),
    )
    return (found, *missing)


def _value(evidence: Evidence, scan: int, quantity: str) -> str:
    row = evidence.row(scan, quantity)
    return with_interval(row) if row is not None else say("tissue.no-value", why=evidence.why_not(scan, quantity))


def _together(evidence: Evidence) -> Finding:
    pair = _same_scans(evidence)
    if isinstance(pair, str):
        return unassessed("together", pair)
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
    if threshold is not None and direction_of(threshold) in ("rose", "fell") and key.startswith("densifying"):
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
        cautions=evidence.solid_caution(mass.from_scan, mass.to_scan),
        brief=say(f"brief.together.{key}"),
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

        def rank(pair: tuple[int, int]) -> tuple[bool, int, int]:
            return pair == evidence.baseline, mass[pair].days, pair[1]

        longest = max(both, key=rank)
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
        return (unassessed("late", say("late.none")),)
    if change.difference is None:
        ends = [(n, "lesion_volume") for n in (change.from_scan, change.to_scan)]
        return (unassessed("late", trimmed(change.reason), ends),)
    way = {"rose": "grew", "fell": "not", "same": "not", "unsettled": "open"}[direction_of(change)]
    if way == "open" and change.high is not None and change.high <= 0:
        way = "not"  # whether it shrank is not settled, that it did not grow is
    if lean_of(change) == "rose":
        way = "within"
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
        cautions=evidence.solid_caution(change.from_scan, change.to_scan),
        brief=say(f"brief.late.{way}", change=change_brief(change, "mm3")),
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
        brief = say(f"brief.muscle.{state}", deficit=with_interval(row))
        since = [evidence.day(scan) - day for day in biopsy_days(evidence)]
        recent = [d for d in since if 0 <= d <= AFTER_BIOPSY_DAYS]
        cautions = [say("muscle.biopsy", days=min(recent))] if recent else []
        found.append(
            make(
                evidence,
                "muscle",
                f"muscle.{state}",
                text,
                rests,
                limits=say("muscle.limits"),
                sources=("Zubler20", "Crombe23", "Goodpaster00"),
                cautions=[*cautions, *evidence.solid_caution(scan)],
                brief=say("brief.at-scan", scan=scan, brief=brief) if len(scans) > 1 else brief,
            )
        )
    return (*found, *missing)


def biopsy_days(evidence: Evidence) -> tuple[int, ...]:
    """Days on which tissue was taken, by events and by sites."""
    days = [e.day for e in evidence.timeline.events if e.kind == "biopsy"]
    days += [b.day for b in evidence.timeline.biopsies if b.day is not None]
    return tuple(sorted(set(days)))
