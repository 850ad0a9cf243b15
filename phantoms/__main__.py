"""``python -m phantoms``: list the scripted histories, or write one as DICOM with its truth."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path

from .described import HistoryError
from .drawn import random_history
from .files import build
from .history import load_history, names


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m phantoms", description=__doc__)
    commands = parser.add_subparsers(dest="command", required=True)
    commands.add_parser("list", help="names and what they show")
    make = commands.add_parser("build", help="write OUT/case (DICOM, case.toml) and OUT/truth.json")
    make.add_argument("name", metavar="NAME", help="a scripted history, or 'random'")
    make.add_argument("--out", required=True, type=Path, help="a new or empty folder")
    make.add_argument("--seed", type=int, default=0, help="draws pose, noise, sizes and position (default 0)")
    make.add_argument("--matrix", type=int, help="rows and columns; the field of view stays unless --pixel-mm is given")
    make.add_argument("--pixel-mm", type=float)
    make.add_argument("--slices", type=int)
    make.add_argument("--slice-mm", type=float)
    make.add_argument("--no-distractors", action="store_true", help="no localizer and no second reconstruction")
    make.add_argument("--with-lesion-seed", action="store_true", help="put a point in the lesion into case.toml")
    return parser


def main(arguments: list[str] | None = None) -> int:
    """Run the command; 0 done, 2 wrong usage."""
    given = _parser().parse_args(arguments)
    try:
        if given.command == "list":
            for name in names():
                history = load_history(name)
                print(f"{name:<22} {len(history)} scans  {history.table.get('summary', '')}", flush=True)
            return 0
        history = random_history(given.seed) if given.name == "random" else load_history(given.name, given.seed)
        history = history.resized(given.matrix, given.pixel_mm, given.slices, given.slice_mm)

        def say(scan: int, of: int) -> None:
            print(f"scan {scan} of {of}", file=sys.stderr)

        record = build(
            history,
            given.out,
            distractors=not given.no_distractors,
            with_seed=given.with_lesion_seed,
            on_step=say,
        )
    except HistoryError as error:
        print(f"phantoms: {error}", file=sys.stderr)
        return 2
    except BrokenPipeError:  # whoever listened has heard enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    print(f"{len(record['scans'])} scans written to {given.out / 'case'}, truth to {given.out / 'truth.json'}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
