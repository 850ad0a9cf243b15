"""Counting: one summary per quantity, coverage by stratum, silent failures, and the verdict on every promise."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from . import changes, singles
from . import limits as promised
from .limits import LIMITS, Check
from .runs import Lined, Outcome, Row

STRATA: dict[str, tuple[Callable[[Row], float], tuple[float, ...], str]] = {
    "size": (lambda r: r.size_mm, (20, 40, 70), "mm"),
    "slice": (lambda r: r.slice_mm, (1.0, 1.6, 2.2), "mm"),
    "voltage": (lambda r: r.kvp, (90, 110, 130), "kV"),
    "completeness": (lambda r: r.completeness, (0.5, 0.8, 0.95), ""),
    "noise": (lambda r: r.noise, (10, 20, 30), "HU"),
    "rim thickness": (lambda r: r.rim_mm, (1.5, 2.5, 4.0), "mm"),
}
"""What a row is sorted by, the edges of the classes, the unit."""

BY_SIGN = ("zonal_contrast",)


@dataclass(frozen=True)
class Quantity:
    """The summary line of a quantity. Errors are relative to truth where ``relative``, else in the unit."""

    name: str
    count: int
    ok: int
    caution: int
    withheld: int
    relative: bool
    median_error: float
    worst_error: float
    bias: float
    covered_ok: float
    covered: float
    width: float
    worst_row: Row | None


def is_relative(quantity: str, rows: Sequence[Row]) -> bool:
    """Whether errors of a quantity are best told relative to truth."""
    if quantity in LIMITS:
        return LIMITS[quantity].relative
    return bool(rows) and rows[0].unit in ("mm", "mm2", "mm3", "mg") and quantity not in ("oedema_extent",)


def error_of(row: Row, relative: bool) -> float:
    return row.relative if relative else row.error


def _share(flags: Iterable[bool]) -> float:
    held = list(flags)
    return sum(held) / len(held) if held else math.nan


def _median(values: Iterable[float]) -> float:
    held = [v for v in values if math.isfinite(v)]
    return median(held) if held else math.nan


def quantity_summary(name: str, rows: Sequence[Row]) -> Quantity:
    """Summarise the rows of one quantity."""
    relative = is_relative(name, rows)
    known = [r for r in rows if r.known]
    trusted = [r for r in known if r.trust == "ok"]
    errors = [error_of(r, relative) for r in trusted if math.isfinite(error_of(r, relative))]
    worst = max(trusted, key=lambda r: _size(error_of(r, relative)), default=None)
    widths = [r.width / abs(r.truth) if relative and r.truth else r.width for r in trusted]
    return Quantity(
        name, len(rows), len([r for r in rows if r.trust == "ok"]), len([r for r in rows if r.trust == "caution"]),
        len([r for r in rows if r.trust == "withheld"]), relative, _median(abs(e) for e in errors),
        max((abs(e) for e in errors), default=math.nan), _median(errors),
        _share(bool(r.inside) for r in trusted), _share(bool(r.inside) for r in known), _median(widths), worst,
    )  # fmt: skip


def _size(value: float) -> float:
    return abs(value) if math.isfinite(value) else -1.0


def by_quantity(rows: Iterable[Row]) -> dict[str, list[Row]]:
    found: dict[str, list[Row]] = {}
    for row in rows:
        found.setdefault(row.quantity, []).append(row)
    return found


def summaries(rows: Sequence[Row]) -> list[Quantity]:
    """One per quantity, those with a promise first."""
    grouped = by_quantity(r for r in rows if r.truth is not None)
    order = [q for q in LIMITS if q in grouped] + [q for q in grouped if q not in LIMITS]
    return [quantity_summary(q, grouped[q]) for q in order]


@dataclass(frozen=True)
class Stratum:
    """Coverage of trusted intervals in one class of scans."""

    name: str
    label: str
    count: int
    covered: float
    lowest: str


def strata(rows: Sequence[Row]) -> list[Stratum]:
    """Coverage of trusted values by class; ``lowest`` names the quantity that does worst there."""
    trusted = [r for r in rows if r.known and r.trust == "ok"]
    found = []
    for name, (value, edges, unit) in STRATA.items():
        bounds = (-math.inf, *edges, math.inf)
        for low, high in pairwise(bounds):
            chosen = [r for r in trusted if low <= value(r) < high]
            label = f"< {high:g}" if low == -math.inf else f">= {low:g}" if high == math.inf else f"{low:g}-{high:g}"
            each = {q: _share(bool(r.inside) for r in g) for q, g in by_quantity(chosen).items() if len(g) >= 5}
            lowest = min(each, key=lambda q: each[q], default="")
            words = f"{lowest} {each[lowest]:.2f}" if lowest else ""
            found.append(
                Stratum(name, f"{label} {unit}".strip(), len(chosen), _share(bool(r.inside) for r in chosen), words)
            )
    return found


def silent(rows: Iterable[Row]) -> list[Row]:
    """Trusted values beyond the worst error promised, and trusted values of a lesion that is not there."""
    found = []
    for row in rows:
        if row.trust != "ok" or row.measured is None:
            continue
        limit = LIMITS.get(row.quantity)
        beyond = limit is not None and row.known and abs(error_of(row, limit.relative)) > limit.worst
        reversed_sign = row.quantity in BY_SIGN and row.known and _opposite(row.measured, row.truth)
        if beyond or reversed_sign or row.truth is None:
            found.append(row)
    return found


def _opposite(a: float, b: float | None) -> bool:
    return b is not None and abs(b) > 0.2 and abs(a) > 0.2 and a * b < 0


def silent_alignments(lined: Iterable[Lined]) -> list[Lined]:
    """Trusted alignments that are wrong by more than a millimetre, or that cannot be right."""
    return [a for a in lined if a.trust == "ok" and (not a.possible or a.error_mm > promised.ALIGN_WORST_MM)]


def far_misses(rows: Iterable[Row]) -> list[Row]:
    """Trusted values whose truth lies beyond the interval by more than its own half width, worst first."""

    def far(row: Row) -> float:
        if not (row.known and row.trust == "ok") or row.low is None or row.high is None or row.truth is None:
            return 0.0
        beyond = max(row.low - row.truth, row.truth - row.high)
        return beyond / max(row.width / 2, 1e-9)

    return sorted((r for r in rows if far(r) > 1), key=far, reverse=True)


def needless(rows: Iterable[Row]) -> tuple[int, int]:
    """(withheld, all) values that nothing speaks against measuring."""
    good = [r for r in rows if r.good and r.truth is not None]
    return sum(r.trust == "withheld" for r in good), len(good)


def checks(outcomes: Sequence[Outcome]) -> list[Check]:
    """Every promise that these runs can judge."""
    rows = [r for o in outcomes for r in o.rows]
    lined = [a for o in outcomes for a in o.lined]
    found = _accuracy(rows) + _alignment(lined) + _trust(outcomes, rows, lined) + _intervals(rows)
    return found + singles.checks(outcomes) + changes.checks(outcomes) + _spreads(outcomes)


def _accuracy(rows: Sequence[Row]) -> list[Check]:
    found = []
    grouped = by_quantity(r for r in rows if r.kind != "broken" and r.truth is not None)
    for quantity, limit in LIMITS.items():
        own = [r for r in grouped.get(quantity, []) if r.known and r.trust == "ok"]
        errors = [abs(error_of(r, limit.relative)) for r in own if math.isfinite(error_of(r, limit.relative))]
        if not errors:
            continue
        scale, unit = (100, " %") if limit.relative else (1, "")
        text = f"median {scale * median(errors):.2f}{unit}, worst {scale * max(errors):.2f}{unit} of {len(errors)}"
        beyond = sum(e > limit.worst for e in errors)
        held = median(errors) <= limit.median and not beyond
        found.append(Check(f"{quantity} within {limit.words()}", f"{text}, {beyond} beyond", held))
    return found


def _alignment(lined: Sequence[Lined]) -> list[Check]:
    trusted = [a for a in lined if a.trust == "ok" and a.possible and a.kind != "broken"]
    if not trusted:
        return []
    errors = [a.error_mm for a in trusted]
    held = median(errors) <= promised.ALIGN_MEDIAN_MM and max(errors) <= promised.ALIGN_WORST_MM
    within = _share(a.error_mm <= 2 * a.sd_mm for a in trusted)
    return [
        Check(
            f"alignment at the lesion, median <= {promised.ALIGN_MEDIAN_MM:g} mm, none trusted above 1 mm",
            f"median {median(errors):.3f} mm, worst {max(errors):.3f} mm of {len(errors)}", held,
        ),
        Check("alignment error within twice its predicted standard error, in at least 90 %",
              f"{100 * within:.1f} %", within >= 0.9 if len(trusted) >= promised.ENOUGH else None),
    ]  # fmt: skip


def _trust(outcomes: Sequence[Outcome], rows: Sequence[Row], lined: Sequence[Lined]) -> list[Check]:
    found = []
    ordinary = [r for r in rows if r.kind == "ordinary" and r.truth is not None]
    if ordinary:
        share = _share(r.trust == "ok" for r in ordinary)
        found.append(Check("trust ok in at least 80 % of values on ordinary histories", f"{100 * share:.1f} %",
                           share >= promised.TRUSTED_SHARE))  # fmt: skip
    held_back, of = needless(rows)
    if of:
        share = held_back / of
        found.append(Check("withheld on good scans, under 5 %", f"{100 * share:.1f} % of {of}",
                           share < promised.NEEDLESS_SHARE))  # fmt: skip
    values, poses = silent(rows), silent_alignments(lined)
    found.append(Check("silent failures (trusted and beyond the worst limit), none",
                       f"{len(values)} values, {len(poses)} alignments", not values and not poses))  # fmt: skip
    wrong = [o for o in outcomes if o.unseeded == "wrong structure"]
    asked = sum(o.unseeded == "asked" for o in outcomes)
    tried = sum(bool(o.unseeded) for o in outcomes)
    if tried:
        text = f"{len(wrong)} wrong, {asked} asked, {tried - asked - len(wrong)} found"
        found.append(Check("no seed given, never the wrong structure silently", text, not wrong))
    crashes = [o for o in outcomes if o.crash]
    found.append(Check("no crash", f"{len(crashes)} of {len(outcomes)}", not crashes))
    mixed = [o for o in outcomes if o.job.name == "two-patients"]
    if mixed:
        refused = sum(bool(o.refused) for o in mixed)
        found.append(
            Check("two patients in one folder are refused", f"{refused} of {len(mixed)}", refused == len(mixed))
        )
    signs = [r for r in rows if r.quantity in BY_SIGN and r.known and r.kind != "broken" and abs(r.truth or 0) > 0.2]
    if signs:
        wrong_sign = sum((r.measured or 0) * (r.truth or 0) <= 0 for r in signs)
        found.append(Check("reversed zoning negative, shells positive", f"{wrong_sign} of {len(signs)} otherwise",
                           wrong_sign == 0))  # fmt: skip
    return found


def _intervals(rows: Sequence[Row]) -> list[Check]:
    trusted = [r for r in rows if r.known and r.trust == "ok" and r.kind != "broken"]
    if not trusted:
        return []
    overall = _share(bool(r.inside) for r in trusted)
    enough = len(trusted) >= 10 * promised.ENOUGH
    found = [Check("truth inside the interval of trusted values, 90-98 % overall",
                   f"{100 * overall:.1f} % of {len(trusted)}",
                   promised.COVERAGE_LOW <= overall <= promised.COVERAGE_HIGH if enough else None)]  # fmt: skip
    each = {q: (_share(bool(r.inside) for r in g), len(g)) for q, g in by_quantity(trusted).items()}
    judged = {q: share for q, (share, n) in each.items() if n >= promised.ENOUGH}
    low = {q: s for q, s in judged.items() if s < promised.COVERAGE_EACH}
    words = ", ".join(f"{q} {100 * s:.0f} %" for q, s in sorted(low.items(), key=lambda e: e[1])) or "none below"
    found.append(Check("at least 85 % in each quantity", words, not low if judged else None))
    classes = [s for s in strata(trusted) if s.count >= 10 * promised.ENOUGH]
    weak = [s for s in classes if s.covered < promised.COVERAGE_EACH]
    words = ", ".join(f"{s.name} {s.label} {100 * s.covered:.0f} %" for s in weak) or "none below"
    found.append(Check("at least 85 % in each stratum", words, not weak if classes else None))
    return found


def _spreads(outcomes: Sequence[Outcome]) -> list[Check]:
    found = []
    for o in outcomes:
        if o.job.name != "four-scanners":
            continue
        for quantity in ("mineral_mass", "lesion_volume", "rim_core_ratio"):
            values = [r.measured for r in o.rows if r.quantity == quantity and r.measured is not None]
            if len(values) > 1:
                spread = (max(values) - min(values)) / (sum(values) / len(values))
                found.append(Check(f"four-scanners seed {o.job.seed}: spread of {quantity} within 10 %",
                                   f"{100 * spread:.1f} %", spread <= promised.SPREAD_SHARE))  # fmt: skip
    return found
