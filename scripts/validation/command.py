"""Parse, run, print, exit code."""

from __future__ import annotations

import argparse
import multiprocessing
import os
import sys
import time
from collections.abc import Iterator, Sequence
from functools import partial
from pathlib import Path

from .changes import lines as change_lines
from .histories import SETS, Job, jobs_of, seeds_of
from .report import ROW_HEAD, check_lines, failure_lines, row_line, run_lines, summary_lines, verdict_lines, write_csv
from .runs import Outcome, run
from .singles import lines as single_lines
from .summary import checks


def parser() -> argparse.ArgumentParser:
    made = argparse.ArgumentParser(
        prog="scripts/validate",
        description="Measure phantoms and hold every value against its truth. Exit code 1 where a promise is broken.",
    )
    made.add_argument("--set", dest="kind", choices=SETS, action="append", help="may be given again; default ordinary")
    made.add_argument("--seeds", default="0", help="0, 3-5, 1,4,7-9, or 100.. together with --count (default 0)")
    made.add_argument("--count", type=int, default=0, help="how many of the seeds, from the first")
    made.add_argument(
        "--only", action="append", default=[], metavar="NAME", help="only this history; may be given again"
    )
    made.add_argument("--jobs", type=int, default=1, help="histories at a time (default 1)")
    made.add_argument("--dicom", action="store_true", help="through DICOM on disk rather than in memory")
    made.add_argument("--cache", type=Path, help="keep rendered histories here for the next run")
    made.add_argument("--all", action="store_true", help="print every value, not only the summary")
    made.add_argument("--out", type=Path, required=True, help="folder for results.csv, summary.txt and index.html")
    return made


def main(arguments: Sequence[str] | None = None) -> int:
    asked = parser()
    given = asked.parse_args(arguments)
    try:
        seeds = seeds_of(given.seeds, given.count)
    except ValueError as error:
        asked.error(str(error))
    kinds = given.kind or ["ordinary"]
    jobs = [job for kind in kinds for job in jobs_of(kind, seeds, given.only)]
    if not jobs:
        asked.error("there is no such history in this set")
    command = "scripts/validate " + " ".join(sys.argv[1:] if arguments is None else arguments)
    since = time.monotonic()
    outcomes = []
    for outcome in run_all(jobs, given.jobs, given.cache, given.dicom):
        outcomes.append(outcome)
        note = outcome.crash or outcome.refused or f"cpu {outcome.seconds_analyse:.1f} s"
        done = f"[{len(outcomes)}/{len(jobs)}, {time.monotonic() - since:.0f} s]"
        print(f"{done} {outcome.job.label} {outcome.job.seed}: {note}", file=sys.stderr, flush=True)
    order = {job: i for i, job in enumerate(jobs)}
    outcomes.sort(key=lambda o: order[o.job])
    rows = [r for o in outcomes for r in o.rows]
    lines = [*summary_lines(outcomes), *check_lines(outcomes), *single_lines(outcomes), *change_lines(outcomes)]
    lines += [*run_lines(outcomes), *verdict_lines(outcomes)]
    lines += failure_lines(outcomes)
    table = [ROW_HEAD, *(row_line(r) for r in rows)]
    print("\n".join([*lines, *(["", *table] if given.all else [])]))
    given.out.mkdir(parents=True, exist_ok=True)
    write_csv(given.out / "results.csv", rows)
    (given.out / "summary.txt").write_text("\n".join([command, "", *lines, "", *table]) + "\n", encoding="utf-8")
    from .page import write_page  # drawing is slow to load

    write_page(given.out / "index.html", outcomes, command)
    return 1 if any(c.held is False for c in checks(outcomes)) else 0


def run_all(jobs: Sequence[Job], at_once: int, cache: Path | None, dicom: bool) -> Iterator[Outcome]:
    """Outcomes as they come."""
    task = partial(run, cache=cache, dicom=dicom)
    if at_once <= 1:
        yield from map(task, jobs)
        return
    os.environ["OMP_NUM_THREADS"] = "1"  # processes share the cores already
    with multiprocessing.get_context("spawn").Pool(at_once, maxtasksperchild=4) as pool:
        yield from pool.imap_unordered(task, jobs)
