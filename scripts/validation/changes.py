"""Changes called real against changes that were there."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from scipy.stats import binomtest

from . import limits as promised
from .limits import Check
from .runs import Outcome, Step

MAIN = ("mineral_mass", "lesion_volume", "rim_core_ratio", "rim_completeness", "longest_diameter")
STILL_PERCENT = 2.0
"""A true change of no more than this counts as none."""


def share_words(count: int, of: int) -> str:
    """``3 of 40 (7.5 %, 95 % interval 2.6-19.9)``: the score interval of Wilson (1927)."""
    if not of:
        return "0 of 0"
    ends = binomtest(count, of).proportion_ci(method="wilson")
    return f"{count} of {of} ({100 * count / of:.1f} %, 95 % interval {100 * ends.low:.1f}-{100 * ends.high:.1f})"


def steps_of(outcomes: Iterable[Outcome]) -> list[Step]:
    return [s for o in outcomes for s in o.steps]


def false_alarms(steps: Iterable[Step]) -> list[Step]:
    return [s for s in steps if s.real == "yes" and abs(s.true_percent) <= STILL_PERCENT]


def gained(steps: Iterable[Step]) -> list[Step]:
    """Steps of mass in which a quarter was gained, one per history."""
    return [s for s in steps if s.history == "random-denser" and s.quantity == "mineral_mass" and s.true_percent > 20]


def checks(outcomes: Sequence[Outcome]) -> list[Check]:
    """False alarms of unchanged lesions over scanner changes, and detection of a quarter more mineral."""
    steps, found = steps_of(outcomes), []
    for name in ("four-scanners", "random-unchanged"):
        own = [s for s in steps if s.history == name and s.given]
        if not own:
            continue
        alarms = false_alarms(own)
        which = ", ".join(sorted({s.quantity for s in alarms})[:6])
        share = len(alarms) / len(own)
        held = not alarms if name == "four-scanners" else share <= promised.FALSE_ALARM_SHARE
        text = "no change called real" if name == "four-scanners" else "at most 5 % of changes called real"
        found.append(Check(f"{name}: {text}", f"{share_words(len(alarms), len(own))} {which}".strip(), held))
    denser = gained(steps)
    if denser:
        given = [s for s in denser if s.given]
        called = sum(s.real == "yes" for s in given)
        enough = len(given) >= promised.ENOUGH / 2
        text = "a quarter more mineral at 1.5 mm is called real in at least 90 % where both masses are stated"
        held = called >= promised.DETECTED_SHARE * len(given) if enough else None
        found.append(Check(text, share_words(called, len(given)), held))
    return found


def lines(outcomes: Sequence[Outcome]) -> list[str]:
    """Numbers behind the promises, and every miss and false alarm with its reason."""
    steps = steps_of(outcomes)
    found: list[str] = []
    still = [s for s in steps if s.history in ("four-scanners", "random-unchanged")]
    if still:
        histories = {(s.history, s.seed) for s in still}
        given = [s for s in still if s.given]
        alarms = false_alarms(given)
        loud = {(s.history, s.seed) for s in alarms}
        found += ["", "unchanged lesions over scanner changes"]
        found.append(f"  histories with any false alarm: {share_words(len(loud), len(histories))}")
        for quantity in MAIN:
            own = [s for s in given if s.quantity == quantity]
            words = {v: sum(s.real == v for s in own) for v in ("yes", "no", "unsure")}
            found.append(
                f"  {quantity:<20} real {words['yes']}, not {words['no']}, unsure {words['unsure']} of {len(own)}"
            )
        found += [f"  false alarm: {_told(s)}" for s in alarms]
    denser = gained(steps)
    if denser:
        given = [s for s in denser if s.given]
        plain = [s for s in given if s.trusted]
        found += ["", "a quarter more mineral, two scans alike at 1.5 mm"]
        found.append(
            f"  called real, of all histories: {share_words(sum(s.real == 'yes' for s in denser), len(denser))}"
        )
        found.append(f"  where both masses are stated: {share_words(sum(s.real == 'yes' for s in given), len(given))}")
        found.append(f"  where both are trusted: {share_words(sum(s.real == 'yes' for s in plain), len(plain))}")
        found += [f"  missed: {_told(s)}" for s in denser if s.real != "yes"]
    covered = [s for s in steps if s.inside is not None and s.trusted]
    if covered:
        held = sum(bool(s.inside) for s in covered)
        found += ["", f"true change inside its interval, both ends trusted: {share_words(held, len(covered))}"]
        for quantity in MAIN:
            own = [s for s in covered if s.quantity == quantity]
            if own:
                widths = sorted(s.width / abs(s.first) for s in own if s.first)
                width = f", median width {100 * widths[len(widths) // 2]:.1f} %" if widths else ""
                found.append(f"  {quantity:<20} {share_words(sum(bool(s.inside) for s in own), len(own))}{width}")
    return found


def _told(step: Step) -> str:
    measured = "none" if step.percent is None else f"{step.percent:+.1f} %"
    where = f"{step.history} {step.seed}, {step.quantity} {step.from_scan} to {step.to_scan}"
    return f"{where}: true {step.true_percent:+.1f} %, measured {measured}, {step.real}: {step.reason[:160]}"
