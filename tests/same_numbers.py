"""Whether a run under another interpreter gave the numbers of the first one; used by ``scripts/wheel``.

Takes two results folders. The second is made a copy of the first where there is none yet. Exit code 1 where a verdict
differs, or a number by more than another order of adding up can make of it.
"""

from __future__ import annotations

import csv
import math
import shutil
import sys
from pathlib import Path

SAME = 2e-4
"""Relative: of the five digits that are written, the last may be rounded the other way."""
NUMBERS = ("value", "low", "high")


def rows(out: Path) -> list[dict[str, str]]:
    with (out / "measurements.csv").open(encoding="utf-8", newline="") as handle:
        return list(csv.DictReader(handle))


def compare(out: Path, first: Path) -> tuple[int, str]:
    """(exit code, what is to be said) of two results folders."""
    if not first.exists():
        shutil.copytree(out, first)
        return 0, f"{len(rows(out))} values, to hold others against"
    here, there = rows(out), rows(first)
    if len(here) != len(there):
        return 1, f"{len(here)} values, {len(there)} in the first"
    worst, same = 0.0, 0
    for a, b in zip(here, there, strict=True):
        same += a == b
        if any(a[key] != b[key] for key in a if key not in NUMBERS):
            return 1, f"{a} is not {b}"
        for key in NUMBERS:
            if a[key] != b[key]:
                if not (a[key] and b[key]):
                    return 1, f"{a} is not {b}"
                x, y = float(a[key]), float(b[key])
                worst = max(worst, abs(x - y) / max(abs(x), abs(y), math.ulp(1.0)))
    said = f"{same} of {len(here)} values to the last digit as the first, the others within {worst:.1g} of them"
    return int(worst > SAME), said if same < len(here) else f"all {same} values to the last digit as the first"


if __name__ == "__main__":
    code, said = compare(Path(sys.argv[1]), Path(sys.argv[2]))
    print(said)
    sys.exit(code)
