"""Rows and changes by scan and quantity, and what is missing and why: what the rules of ``findings`` read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

from ..align import Alignment
from ..base import Trust, worst
from ..change import Change, Curve
from ..measure import Measurement
from ..timeline import Timeline
from .sources import cite
from .statements import Finding
from .wording import TOPICS, named, say, scan_numbers, signed, signed_change

SOLID_CORE = 0.5
"""Share of mineral in the core from which it counts as filled; a working limit."""
SOLID_LESION = 0.8
"""Share of mineral in the whole lesion from which it counts as mineral throughout; a working limit."""
HOLLOW = 0.6
"""Zonal contrast from which the central zone, at most a quarter as dense as the outer, is not called filled."""
NO_MINERAL = frozenset({"no-mineral", "no-mineral-contrast", "carried-no-mineral"})
"""Codes that say that there is no mineral at all."""
LARGEST_PERCENT = 1000.0
"""Above this a percentage only says that the start was near zero, and is left out."""


@dataclass(frozen=True, eq=False)
class Evidence:
    """The measured history of one case."""

    timeline: Timeline
    measurements: tuple[Measurement, ...]
    changes: tuple[Change, ...] = ()
    curves: tuple[Curve, ...] = ()
    alignments: tuple[Alignment, ...] = ()

    @cached_property
    def rows(self) -> dict[tuple[int, str], Measurement]:
        """Every row by scan and quantity, withheld ones too."""
        return {(row.scan, row.quantity): row for row in self.measurements}

    @property
    def scans(self) -> tuple[int, ...]:
        """Numbers of all scans, in time order."""
        return tuple(scan.number for scan in self.timeline.scans)

    @property
    def outlined(self) -> tuple[int, ...]:
        """Numbers of the scans in which anything was measured."""
        held = {row.scan for row in self.measurements}
        return tuple(n for n in self.scans if n in held)

    @property
    def measured(self) -> tuple[int, ...]:
        """Numbers of the scans in which the size of the lesion or its mineral has a value."""
        return tuple(n for n in self.scans if self.usable(n, "lesion_volume") or self.usable(n, "mineral_mass"))

    @property
    def baseline(self) -> tuple[int, int]:
        """The one pair of scans that everything is compared between: the first and the last that were measured."""
        held = self.measured or self.scans
        return held[0], held[-1]

    def trust(self, scan: int, quantity: str) -> Trust | None:
        """Trust of a row; ``None`` where there is none."""
        row = self.rows.get((scan, quantity))
        return None if row is None else row.trust

    def row(self, scan: int, quantity: str) -> Measurement | None:
        """The row if it has a value, else ``None``; :meth:`why_not` then says why."""
        row = self.rows.get((scan, quantity))
        return None if row is None or row.value is None or row.trust == "withheld" else row

    def value(self, scan: int, quantity: str) -> float | None:
        row = self.row(scan, quantity)
        return None if row is None else row.value

    def usable(self, scan: int, *quantities: str) -> bool:
        return all(self.row(scan, q) is not None for q in quantities)

    def latest(self, *quantities: str) -> int | None:
        """The last scan in which all ``quantities`` have values."""
        return next((n for n in reversed(self.scans) if self.usable(n, *quantities)), None)

    def why_not(self, scan: int, *quantities: str) -> str:
        """Why at least one of ``quantities`` has no value in ``scan``, in words without a full stop."""
        if scan not in self.outlined:
            return say("not-outlined")
        reasons = []
        for quantity in quantities:
            if self.row(scan, quantity) is None:
                held = self.rows.get((scan, quantity))
                reason = held.reason if held is not None else ""
                reasons += (trimmed(reason) or say("not-measured", quantity=named(quantity))).split("; ")
        return "; ".join(dict.fromkeys(reasons))

    def label(self, scan: int) -> str:
        """``scan 3 (day 92)``."""
        return f"scan {scan} (day {self.timeline.scan(scan).day})"

    def brief_of(self, scan: int, brief: str) -> str:
        """A short answer; it names its scan where that is not the last one."""
        return brief if scan == self.scans[-1] else say("brief.at-scan", scan=scan, brief=brief)

    def day(self, scan: int) -> int:
        return self.timeline.scan(scan).day

    def no_mineral(self, scan: int) -> bool:
        """Whether the mineral mass is not above zero beyond doubt, or no voxel reached the threshold."""
        mass, volume = self.row(scan, "mineral_mass"), self.row(scan, "mineral_volume")
        if volume is not None and volume.value is not None and volume.value <= 0:
            return True
        if mass is not None and mass.value is not None:
            return mass.value <= 0 or (mass.low is not None and mass.low <= 0)
        contrast = self.rows.get((scan, "zonal_contrast"))
        # a reason given for the rim tells only where the lesion itself was outlined
        if contrast is None or not self.usable(scan, "lesion_volume"):
            return False
        return any(verdict.code in NO_MINERAL for verdict in contrast.verdicts)

    def solid(self, scan: int) -> bool:
        """Whether mineral fills the core too, so that the outline may follow a nodule inside a larger soft mass."""
        core = self.value(scan, "core_mineral_fraction")
        if core is not None:  # a thick shell takes most of a small lesion without filling its centre
            return core >= SOLID_CORE
        contrast = self.row(scan, "zonal_contrast")
        if contrast is not None and contrast.low is not None and contrast.low > HOLLOW:
            return False  # blur alone lifts the small centre of a dense shell over the threshold
        return (self.value(scan, "mineral_fraction") or 0.0) >= SOLID_LESION

    def solid_caution(self, *scans: int) -> list[str]:
        """The caution that goes with a lesion that is mineral throughout; empty where none is."""
        return [say("solid")] if any(self.solid(n) for n in scans) else []

    # -- changes

    def changes_of(self, quantity: str) -> tuple[Change, ...]:
        """Changes of a quantity in time order; those that run backwards in time are turned away."""
        mine = [c for c in self.changes if c.quantity == quantity and c.to_scan > c.from_scan]
        return tuple(sorted(mine, key=lambda c: (c.from_scan, c.to_scan)))

    def overall(self, quantity: str) -> Change | None:
        """The change over the one pair that everything is compared between.

        Where the quantity has no number there, the longest that has one; failing that the longest without.
        """

        def rank(change: Change) -> tuple[bool, bool, int, int]:
            pair = (change.from_scan, change.to_scan)
            span = change.to_scan - change.from_scan
            return change.difference is not None, pair == self.baseline, span, change.to_scan

        return max(self.changes_of(quantity), key=rank, default=None)

    def trusted(self, change: Change) -> bool:
        """Whether the quantity is trusted in both scans of a change."""
        ends = [self.row(n, change.quantity) for n in (change.from_scan, change.to_scan)]
        return all(row is not None and row.trust == "ok" for row in ends)

    def steps(self, quantity: str) -> tuple[Change, ...]:
        """Changes from each scan to the next one that was measured."""
        nearest: dict[int, Change] = {}
        for change in self.changes_of(quantity):
            held = nearest.get(change.from_scan)
            if change.difference is not None and (held is None or change.to_scan < held.to_scan):
                nearest[change.from_scan] = change
        order = [nearest[n] for n in sorted(nearest)]
        return tuple(c for c in order if not any(c.from_scan < n < c.to_scan for n in nearest))


def direction_of(change: Change | None) -> str:
    """``rose``, ``fell``, ``same`` or ``unsettled``; a change without a number is unsettled."""
    if change is None or change.difference is None or change.real == "unsure":
        return "unsettled"
    if change.real == "no":
        return "same"
    return "rose" if change.difference > 0 else "fell"


def lean_of(change: Change | None) -> str:
    """``rose`` or ``fell`` where a change is no more than repeating a scan may show though its interval excludes zero.

    Empty for every other change.
    """
    if change is None or change.difference is None or change.real != "no" or change.low is None or change.high is None:
        return ""
    return "rose" if change.low > 0 else "fell" if change.high < 0 else ""


def change_words(change: Change, unit: str) -> str:
    """``+510 mg (+430 to +590), +165 % in 170 days``."""
    if change.difference is None:
        return f"no number, over {change.days} days"
    text = signed_change(change.difference, change.low, change.high, unit)
    if change.percent is not None and abs(change.percent) < LARGEST_PERCENT:
        text += f", {signed(change.percent)} %"
    return f"{text} in {change.days} days"


def change_brief(change: Change, unit: str) -> str:
    """``+165 % in 170 days``, or the difference where a percentage says little."""
    if change.difference is None:
        return f"no number, over {change.days} days"
    if change.percent is None or abs(change.percent) >= LARGEST_PERCENT:
        return f"{signed_change(change.difference, None, None, unit)} in {change.days} days"
    return f"{signed(change.percent)} % in {change.days} days"


def trimmed(reason: str) -> str:
    """A reason without its full stop, to stand inside a sentence."""
    return reason.strip().rstrip(".")


def because(change: Change) -> str:
    reason = trimmed(change.reason)
    return f" ({reason})" if reason else ""


def make(
    evidence: Evidence,
    topic: str,
    key: str,
    text: str,
    rests_on: Sequence[tuple[int, str]],
    *,
    limits: str = "",
    sources: Sequence[str] = (),
    changes: Sequence[Change] = (),
    cautions: Sequence[str] = (),
    brief: str = "",
) -> Finding:
    """A finding whose trust is the worst of the rows it rests on, with their cautions spelt out."""
    plain = text
    rows = [evidence.rows[at] for at in rests_on if at in evidence.rows]
    levels: list[Trust] = [row.trust for row in rows if row.trust != "withheld"]
    given: dict[str, set[int]] = {}
    for row in rows:
        if row.trust == "caution" and row.reason:
            for part in trimmed(row.reason).split("; "):
                given.setdefault(part, set()).add(row.scan)
    if cautions or any(c.real == "unsure" for c in changes):
        levels.append("caution")
    whole = [part for caution in cautions for part in caution.split("; ") if part not in given]
    if len({row.scan for row in rows}) < 2:
        whole, given = [*given, *whole], {}
    for scans in dict.fromkeys(tuple(sorted(held)) for held in given.values()):
        why = [part for part, held in given.items() if tuple(sorted(held)) == scans]
        text += say("with-caution-for", scans=scan_numbers(scans), why="; ".join(why))
    if whole:
        text += say("with-caution", why="; ".join(dict.fromkeys(whole)))
    return Finding(
        topic=TOPICS[topic],
        text=text,
        rests_on=tuple(dict.fromkeys(rests_on)),
        trust=worst(*levels),
        limits=limits,
        key=key,
        rests_on_changes=tuple((c.from_scan, c.to_scan, c.quantity) for c in changes),
        sources=cite(*sources),
        brief=brief,
        plain=plain,
    )


def not_assessed(evidence: Evidence, topic: str, *quantities: str) -> tuple[Finding, ...]:
    """One finding per reason for which ``quantities`` are missing in some scans; empty when none is."""
    groups: dict[str, list[int]] = {}
    for scan in evidence.scans:
        if not evidence.usable(scan, *quantities):
            groups.setdefault(evidence.why_not(scan, *quantities), []).append(scan)
    found = []
    for why, scans in groups.items():
        found.append(unassessed(topic, why, [(n, q) for n in scans for q in quantities], scans=scan_numbers(scans)))
    return tuple(found)


def unassessed(
    topic: str, why: str, rests_on: Sequence[tuple[int, str]] = (), *, scans: str = "the course", key: str = ""
) -> Finding:
    """A finding that says that its topic was not assessed in ``scans`` (in words), and why."""
    text = say("not-assessed", topic=TOPICS[topic], scans=scans, why=why)
    return withheld(topic, text, rests_on, brief=say("brief.not-assessed", scans=scans), key=key, why=why)


def withheld(
    topic: str, text: str, rests_on: Sequence[tuple[int, str]] = (), *, brief: str, key: str = "", why: str = ""
) -> Finding:
    """A finding that says in its own words that something was withheld."""
    return Finding(
        TOPICS[topic],
        text,
        tuple(rests_on),
        "withheld",
        key=key or f"{topic}.not-assessed",
        brief=brief,
        plain=text,
        why=why,
    )
