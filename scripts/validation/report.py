"""The same results as text and as a table on disk."""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from dataclasses import fields
from pathlib import Path

from .runs import Outcome, Row
from .summary import (
    checks,
    far_misses,
    needless,
    silent,
    silent_alignments,
    strata,
    summaries,
)

LONGEST_LIST = 25
COLUMNS = ("error", "relative", "inside")


def number(value: float | None, digits: int = 4) -> str:
    return "-" if value is None or not math.isfinite(value) else f"{value:.{digits}g}"


def percent(value: float) -> str:
    return "-" if not math.isfinite(value) else f"{100 * value:.0f}"


def row_line(row: Row) -> str:
    inside = {True: "in", False: "OUT", None: "-"}[row.inside]
    relative = f"{100 * row.relative:+.1f}%" if math.isfinite(row.relative) else ""
    return (
        f"{row.history:<24}{row.seed:>4}{row.scan:>3}  {row.quantity:<24}{number(row.truth):>10}"
        f"{number(row.measured):>10}{number(row.low):>10}{number(row.high):>10}"
        f"{number(row.error, 3):>10}{relative:>9} {inside:<4}{row.trust:<9}"
        f"{row.reason[:70]}"
    )


ROW_HEAD = (
    f"{'history':<24}{'seed':>4}{'sc':>3}  {'quantity':<24}{'truth':>10}{'measured':>10}{'low':>10}{'high':>10}"
    f"{'error':>10}{'':>9} {'in':<4}{'trust':<9}"
)


def summary_lines(outcomes: Sequence[Outcome]) -> list[str]:
    """The compact summary: quantities, alignment, strata, silent failures, promises."""
    rows = [r for o in outcomes for r in o.rows]
    lines = [
        f"{'quantity':<24}{'n':>5}{'ok':>5}{'caut':>5}{'with':>5} |{'median':>9}{'worst':>9}{'bias':>9} |"
        f"{'in ok':>6}{'in all':>7}{'width':>8}  worst where trusted  (errors in % of truth or its unit; inside in %)"
    ]
    for q in summaries(rows):
        scale, unit = (100, "%") if q.relative else (1, "")
        where = f"{q.worst_row.history} {q.worst_row.seed} scan {q.worst_row.scan}" if q.worst_row else ""
        figures = "".join(
            f"{number(scale * v, 3) + unit if math.isfinite(v) else '-':>9}"
            for v in (q.median_error, q.worst_error, q.bias)
        )
        width = number(scale * q.width, 3) + unit if math.isfinite(q.width) else "-"
        lines.append(
            f"{q.name:<24}{q.count:>5}{q.ok:>5}{q.caution:>5}{q.withheld:>5} |{figures} |{percent(q.covered_ok):>6}"
            f"{percent(q.covered):>7}{width:>8}   {where}"
        )
    trusted = [r for r in rows if r.known and r.trust == "ok"]
    if trusted:
        share = 100 * sum(bool(r.inside) for r in trusted) / len(trusted)
        lines.append(f"\ninside the interval where trusted: {share:.1f} % of {len(trusted)}")
    lines += ["", "coverage of trusted values by class"]
    lines += [
        f"  {s.name:<14}{s.label:<14}{s.count:>6}{percent(s.covered):>5} %   lowest: {s.lowest}"
        for s in strata(rows)
        if s.count
    ]
    return lines


def run_lines(outcomes: Sequence[Outcome]) -> list[str]:
    """One line per history, with its alignments."""
    lines = ["", "histories"]
    for o in outcomes:
        head = f"  {o.job.label:<24}{o.job.seed:>4}  cpu {o.seconds_analyse:5.1f} s (render {o.seconds_render:.1f})"
        if o.crash or o.refused:
            lines.append(f"{head}  {'CRASH ' + o.crash if o.crash else 'refused: ' + o.refused}")
            continue
        lines.append(f"{head}  without a seed: {o.unseeded or 'not tried'}; outlines: {'; '.join(o.methods)}")
        for a in o.lined:
            word = "" if a.possible else "  (cannot be right)"
            why = a.reason[:110] if a.trust != "ok" else ""
            lines.append(
                f"      scan {a.scan} on {a.base}: error {a.error_mm:8.3f} mm, predicted sd {a.sd_mm:.2f} (turn "
                f"{a.turn_sd_mm:.2f}, slide {a.slide_sd_mm:.2f}), {a.trust}{word} {why}"
            )
    return lines


def failure_lines(outcomes: Sequence[Outcome]) -> list[str]:
    """Silent failures, far misses, and what was withheld on good scans."""
    rows = [r for o in outcomes for r in o.rows]
    values, poses = silent(rows), silent_alignments(a for o in outcomes for a in o.lined)
    lines = ["", f"silent failures: {len(values)} values, {len(poses)} alignments"]
    lines += [
        f"  alignment {a.history} {a.seed} scan {a.scan} on {a.base}: {a.error_mm:.2f} mm, trusted" for a in poses
    ]
    lines += ["  " + row_line(r) for r in values[: 3 * LONGEST_LIST]]
    misses = far_misses(rows)
    lines += ["", f"trusted, truth beyond the interval by more than its half width: {len(misses)}"]
    lines += ["  " + row_line(r) for r in misses[:LONGEST_LIST]]
    held, of = needless(rows)
    lines += ["", f"withheld on good scans: {held} of {of}"]
    why: dict[str, list[Row]] = {}
    for r in rows:
        if r.good and r.trust == "withheld" and r.truth is not None:
            why.setdefault(r.reason[:90], []).append(r)
    for text, own in sorted(why.items(), key=lambda e: -len(e[1]))[:LONGEST_LIST]:
        where = sorted({f"{r.history} {r.seed} scan {r.scan}" for r in own})
        lines.append(f"  {len(own):>4}  {text}: {', '.join(where[:3])}{' ...' if len(where) > 3 else ''}")
    return lines


SHOWN = ("lesion_volume", "mineral_mass", "rim_core_ratio", "rim_completeness", "longest_diameter")


def verdict_rows(outcomes: Sequence[Outcome]) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Head and rows of verdict against actual error, scan by scan of spoiled histories."""
    head = ("history", "seed", "scan", "alignment", *(q.replace("_", " ") for q in SHOWN), "spoiled by")
    found: list[tuple[str, ...]] = []
    for o in outcomes:
        if o.job.kind != "broken":
            continue
        blank = ("",) * len(SHOWN)
        if o.crash or o.refused:
            word = f"crash: {o.crash}" if o.crash else f"refused: {o.refused}"
            found.append((o.job.label, str(o.job.seed), "", word, *blank, ""))
            continue
        poses = {a.scan: a for a in o.lined}
        for scan in sorted({r.scan for r in o.rows}):
            own = {r.quantity: r for r in o.rows if r.scan == scan}
            a = poses.get(scan)
            pose = "reference" if a is None else f"{a.error_mm:.2f} mm {a.trust}{'' if a.possible else ' (!)'}"
            cells = tuple(_verdict_cell(q, own.get(q)) for q in SHOWN)
            faults = next((r.faults for r in own.values() if r.faults), "")
            found.append((o.job.label, str(o.job.seed), str(scan), pose, *cells, faults))
    return head, found


def _verdict_cell(quantity: str, row: Row | None) -> str:
    if row is None:
        return "-"
    if row.trust == "withheld" or row.measured is None:
        return "withheld"
    if row.truth is None:
        return f"{number(row.measured)} (none) {row.trust}"
    if quantity == "rim_completeness":
        return f"{row.error:+.3f} {row.trust}"
    return f"{100 * row.relative:+.1f}% {row.trust}"


def verdict_lines(outcomes: Sequence[Outcome]) -> list[str]:
    """For spoiled histories: verdict against actual error, scan by scan."""
    head, rows = verdict_rows(outcomes)
    if not rows:
        return []
    lines = ["", "spoiled histories: verdict against actual error (measured - truth; trust)"]
    for history, seed, scan, pose, *cells, faults in (head, *rows):
        values = "".join(f"{c:<20}" for c in cells)
        lines.append(f"  {history:<24}{seed:>4} {scan:>4} {pose:<24}{values}{faults}".rstrip())
    return lines


def check_lines(outcomes: Sequence[Outcome]) -> list[str]:
    return ["", "promises", *("  " + c.line() for c in checks(outcomes))]


def write_csv(path: Path, rows: Sequence[Row]) -> None:
    names = [f.name for f in fields(Row)]
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow([*names, *COLUMNS])
        for row in rows:
            writer.writerow([_cell(getattr(row, n)) for n in (*names, *COLUMNS)])


def _cell(value: object) -> object:
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return ""
    return f"{value:.6g}" if isinstance(value, float) else value
