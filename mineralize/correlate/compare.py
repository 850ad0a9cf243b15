"""What can be compared: how alike the scans were made, what the steady tissues say, and what is withheld."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

from ..base import MAIN
from ..change import Change, hidden_agent
from ..timeline import comparability as table_of
from ..timeline import value_words
from .evidence import Evidence, make, trimmed, withheld
from .statements import Finding
from .wording import amount, listed, named, say, scan_numbers


def comparability(evidence: Evidence) -> tuple[Finding, ...]:
    """How alike the scans were made, what was not compared, and what the steady tissues say."""
    if len(evidence.scans) < 2:
        return ()
    limits = say("compare.limits")
    unlike = _unlike(evidence)
    text = say("compare.unlike", list="; ".join(unlike.values())) if unlike else say("compare.alike")
    key = "compare.unlike" if unlike else "compare.alike"
    found = [
        make(
            evidence,
            "compare",
            key,
            text,
            [],
            sources=("Nakazato09", "Muhlenbruch05") if unlike else (),
            brief=say(
                f"brief.compare.{'unlike' if unlike else 'alike'}",
                what=listed([say(f"brief.compare.unlike.{kind}") for kind in unlike]),
            ),
        )
    ]
    found += _refused(evidence)
    steady = _steady(evidence)
    if steady:
        changes = list(steady.values())
        first, last = changes[0].from_scan, changes[0].to_scan
        items = [f"{named(q)} {amount(c.difference or 0.0, 'HU', signed=True)}" for q, c in steady.items()]
        volts = {evidence.timeline.scan(n).acquisition.kvp for n in (first, last)}
        parts = [say("compare.voltages"), say("brief.compare.voltages")] if len(volts) > 1 else ["", ""]
        ends = {"first": evidence.label(first), "last": evidence.label(last)}
        text = say("compare.steady", **ends, list=listed(items), voltages=parts[0])
        rests = [(n, q) for q in steady for n in (first, last)]
        brief = say("brief.compare.steady", list=listed(items), voltages=parts[1])
        found.append(
            make(evidence, "compare", "compare.steady", text, rests, limits=limits, changes=changes, brief=brief)
        )
    for a in evidence.alignments:
        if a.trust == "withheld" and a.scan != a.reference_scan:
            why = trimmed(a.reason) or "the fit is not pinned"
            text = say(
                "compare.alignment",
                scan=f"Scan {a.scan} (day {evidence.day(a.scan)})",
                reference=a.reference_scan,
                why=why,
            )
            brief = say("brief.compare.alignment", scan=a.scan)
            found.append(withheld("compare", text, brief=brief, key="compare.alignment"))
    return tuple(found)


def _unlike(evidence: Evidence) -> dict[str, str]:
    """What differs between the scans by the one rule of what makes them unlike, each with its sentence."""
    scans = evidence.timeline.scans
    lines = {}
    for row in table_of(scans):
        if not row.differs:
            continue
        groups: dict[str, list[int]] = {}
        for scan in scans:
            groups.setdefault(value_words(row.code, scan.acquisition), []).append(scan.number)
        values = ", ".join(f"{word} in {scan_numbers(where)}" for word, where in groups.items())
        lines[row.code] = say(f"compare.{row.code}", values=values)
    if "contrast" not in lines:
        seen = [hidden_agent(a, b, evidence.rows) for a, b in combinations(scans, 2)]
        words = dict.fromkeys(found.words for found in seen if found is not None)
        if words:
            lines["contrast"] = say("compare.agent", words="; ".join(words))
    return lines


def _refused(evidence: Evidence) -> list[Finding]:
    """Comparisons that were not made although both scans have a value; a missing value has a finding of its own."""
    groups: dict[tuple[int, int, str], list[str]] = {}
    for change in evidence.changes:
        ends = (change.from_scan, change.to_scan)
        both = all(evidence.usable(n, change.quantity) for n in ends)
        if change.difference is None and change.reason and both and change.quantity in MAIN:
            groups.setdefault((*ends, trimmed(change.reason)), []).append(change.quantity)
    found = []
    for (first, last, why), quantities in groups.items():
        words = listed([named(q) for q in quantities])
        text = say("compare.refused", pair=f"scan {first} and scan {last}", quantities=words, why=why)
        rests = [(n, q) for q in quantities for n in (first, last)]
        brief = say("brief.compare.refused", first=first, last=last, quantities=_counted(quantities))
        found.append(withheld("compare", text, rests, brief=brief, key="compare.refused"))
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
            brief = say("brief.withheld", scans=scan_numbers(where), quantities=_counted(quantities))
            found.append(withheld("withheld", text, [(n, q) for n in where for q in quantities], brief=brief))
    return tuple(found)


def _counted(quantities: Sequence[str]) -> str:
    """The quantities by name, or how many they are where naming them would be a list."""
    return listed([named(q) for q in quantities]) if len(quantities) < 3 else say("brief.many", count=len(quantities))


def _steady(evidence: Evidence) -> dict[str, Change]:
    tissues = ("fat_reference", "reference_muscle", "cortex_reference")
    whole = {q: evidence.overall(q) for q in tissues}
    known = {q: c for q, c in whole.items() if c is not None and c.difference is not None}
    pairs = [(c.from_scan, c.to_scan) for c in known.values()]
    return {q: c for q, c in known.items() if (c.from_scan, c.to_scan) == pairs[0]} if pairs else {}
