"""The command behind scripts/validate_soft: soft masses that stay and that grow, and real ones against an expert."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

from . import soft, soft_real


def parser() -> argparse.ArgumentParser:
    made = argparse.ArgumentParser(
        prog="scripts/validate_soft",
        description="Read soft masses without a shell: drawn ones that stay and that grow, and real ones.",
    )
    made.add_argument("--seeds", default="", help="drawn histories, as 1-16 (1-40 were looked at while this was made)")
    made.add_argument("--real", action="store_true", help="real masses against the outline of an expert")
    made.add_argument(
        "--data",
        type=Path,
        default=Path(os.environ.get("MINERALIZE_CTDATA", "")),
        help="folder of the openly licensed scans (default: MINERALIZE_CTDATA)",
    )
    return made


def main(arguments: Sequence[str] | None = None) -> int:
    asked = parser()
    given = asked.parse_args(arguments)
    first, _, last = given.seeds.partition("-")
    if given.seeds and not (first.isdigit() and (last or first).isdigit()):
        asked.error(f"--seeds {given.seeds}: give one number or a range as 1-16")
    if not given.seeds and not given.real:
        asked.error("give --seeds, --real or both")
    if given.real and not soft_real.there(given.data):
        asked.error("the scans are not there; give their folder with --data or in MINERALIZE_CTDATA")
    seeds = f" --seeds {given.seeds}" if given.seeds else ""
    print(f"scripts/validate_soft{seeds}{' --real' if given.real else ''}")
    if given.seeds:
        for text in drawn_lines(range(int(first), int(last or first) + 1)):
            print(text, flush=True)
    if given.real:
        for text in soft_real.lines(given.data):
            print(text, flush=True)
    return 0


def drawn_lines(seeds: Sequence[int]) -> Iterator[str]:
    yield ""
    yield "drawn histories: scans 1 and 2 show the same mass, scan 3 has more of it; read from a point in scan 1"
    yield " seed  what was drawn | volume in %, less the truth, with its interval | change 1-2, 1-3, 2-3"
    outcomes = []
    for seed in seeds:
        outcomes.append(soft.run(seed))
        yield soft.line(outcomes[-1])
    yield from soft.summary(outcomes)


if __name__ == "__main__":
    sys.exit(main())
