"""Parse, run, print, exit code."""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Sequence
from pathlib import Path

from .real import CASES, run


def parser() -> argparse.ArgumentParser:
    made = argparse.ArgumentParser(
        prog="scripts/validate_real",
        description="Run real scans of masses beside bone and of one plastic head, and write a page to look at. "
        "There is no truth for them; the page says what was seen.",
    )
    made.add_argument(
        "--data", type=Path, help="folder of the openly licensed scans (default: MINERALIZE_CTDATA of the environment)"
    )
    made.add_argument("--only", action="append", choices=[*CASES, "head"], help="may be given again; default all")
    made.add_argument("--out", type=Path, required=True, help="folder for index.html and real.txt; pictures stay there")
    return made


def main(arguments: Sequence[str] | None = None) -> int:
    asked = parser()
    given = asked.parse_args(arguments)
    root = given.data or Path(os.environ.get("MINERALIZE_CTDATA", "/nonexistent"))
    if not root.is_dir():
        print("no real scans found: set MINERALIZE_CTDATA or give --data", file=sys.stderr)
        return 4
    from .real_head import run_head  # drawing is slow to load
    from .real_page import case_lines, note_lines, write_page

    wanted = given.only or [*CASES, "head"]
    since = time.monotonic()
    cases = []
    for name in (n for n in CASES if n in wanted):
        cases.append(run(name, root))
        print(f"[{time.monotonic() - since:.0f} s] {name}", file=sys.stderr, flush=True)
    head = run_head(root) if "head" in wanted else None
    command = "scripts/validate_real " + " ".join(f"--only {n!r}" for n in given.only or []) + " --out DIR"
    lines = [" ".join(command.split())]
    for case in cases:
        lines += case_lines(case)
    lines += head.lines() + note_lines("head") if head is not None else []
    print("\n".join(lines))
    given.out.mkdir(parents=True, exist_ok=True)
    (given.out / "real.txt").write_text("\n".join(lines) + "\n", encoding="utf-8")
    write_page(given.out / "index.html", cases, head, lines[0])
    return 0
