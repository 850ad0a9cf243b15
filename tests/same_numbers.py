"""Whether a run under another interpreter gave the numbers of the first one; used by ``scripts/wheel``.

Takes two results folders. The second is made a copy of the first where there is none yet. Other interpreters get other
versions of the libraries, whose sums differ in the last digit; an outline drawn from them moves a little. Exit code 1
where a verdict differs, or a number by more than a tenth of the half-width of its interval.
"""

from __future__ import annotations

import csv
import math
import shutil
import sys
from pathlib import Path

SAME = 0.1
"""Of the half-width of an interval."""
VERDICT = ("case", "scan", "quantity", "trust", "codes")
NUMBERS = ("value", "low", "high")


def rows(out: Path) -> list[dict[str, str]]:
    with (out / "measurements.csv").open(encoding="utf-8", newline="") as handle:
        return list(csv.DictReader(handle))


def compare(out: Path, first: Path) -> tuple[int, str]:
    """(exit code, what is to be said) of two results folders."""
    if not first.exists():
        shutil.copytree(out, first)
        return 0, f"{len(rows(out))} rows, to hold others against"
    here, there = rows(out), rows(first)
    if len(here) != len(there):
        return 1, f"{len(here)} rows, {len(there)} in the first"
    worst, same = 0.0, 0
    for a, b in zip(here, there, strict=True):
        same += a == b
        if any(a[key] != b[key] for key in VERDICT) or any(bool(a[key]) != bool(b[key]) for key in NUMBERS):
            return 1, f"{a} is not {b}"
        if b["value"] and a != b:
            half = 0.5 * (float(b["high"]) - float(b["low"]))
            off = max(abs(float(a[key]) - float(b[key])) for key in NUMBERS)
            worst = max(worst, off / half if half > 0 else (math.inf if off else 0.0))
    said = f"{same} of {len(here)} rows as the first, verdicts alike, numbers within {worst:.2g} half-widths of theirs"
    return int(not worst <= SAME), said if same < len(here) else f"all {same} rows as the first"


if __name__ == "__main__":
    code, said = compare(Path(sys.argv[1]), Path(sys.argv[2]))
    print(said)
    sys.exit(code)
