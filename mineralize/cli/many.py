"""The command for many cases: its grammar, and a function that calls, prints and returns an exit code."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from .later import Later
from .progress import Progress

if TYPE_CHECKING:
    from .. import base, batch
    from ..cases import Request
else:
    base, batch = Later("base"), Later("batch")

IN_MINUTES = 1.5
"""From here on what is left is said in minutes, else in seconds."""
BATCH = """\
Summarises every case of ROOT (one folder or .zip each; or a table, CSV with
the columns case,path) into a folder of its own in DIR, and joins the tables.
Cases that are done already, and whose input and settings are as they were,
are not touched: run it again to go on where it stopped. A case that cannot
be used is reported in cases.csv and does not stop the others. Folders in DIR
are named by the alias in case.toml, else by number, never by the name of the
input."""


def add_options(sub: argparse.ArgumentParser, count: Callable[[str], int]) -> None:
    """What the command takes, beside what it shares with others."""
    sub.add_argument("root", metavar="ROOT", type=Path, help="folder with one folder or .zip per case, or a table")
    sub.add_argument("--out", metavar="DIR", type=Path, required=True, help="where the results go")
    sub.add_argument(
        "--jobs", metavar="N", type=count, help="cases at a time, and cores to use at most (default: all cores)"
    )
    sub.add_argument("--scheduler", metavar="ADDRESS", default="", help="measure on this Dask cluster")
    sub.add_argument("--watch", action="store_true", help="go on, and take in studies as they arrive")
    sub.add_argument(
        "--settle",
        metavar="SECONDS",
        type=_seconds,
        default=60.0,
        help="with --watch: a study is complete when no file came for so long (default: 60)",
    )


def run_batch(a: argparse.Namespace, template: Request, tell: Callable[[str, int], int]) -> int:
    """Measure all cases; ``tell`` prints and returns the exit code."""
    how = batch.How(jobs=a.jobs or base.cores(), cores=a.jobs, scheduler=a.scheduler)
    with Progress() as progress:

        def show(standing: batch.Standing) -> None:
            progress("cases", standing.done, standing.total, note(standing))

        if a.watch:
            reports = batch.watch(a.root, a.out, template, how, settle_seconds=a.settle, on_standing=show)
        else:
            reports = batch.run(a.root, a.out, template, how, on_standing=show)
    lines = []
    for r in reports:
        state = r.message or f"{r.scans} scans, {r.withheld} values withheld, {r.cautions} with caution"
        lines.append(f"{r.name}  exit {r.exit_code}  {state}")
    lines.append(f"{sum(r.done for r in reports)} of {len(reports)} cases done")
    return tell("\n".join(lines), batch.exit_code(reports))


def note(standing: batch.Standing) -> str:
    """Where a run stands, in a few words."""
    words = [f"{count} {state}" for state, count in sorted(standing.counts.items()) if state != "waiting"]
    if standing.seconds_left:
        minutes = standing.seconds_left / 60
        words.append(
            f"about {minutes:.0f} min left" if minutes >= IN_MINUTES else f"about {standing.seconds_left:.0f} s left"
        )
    return ", ".join(words)


def _seconds(text: str) -> float:
    try:
        seconds = float(text)
    except ValueError:
        raise argparse.ArgumentTypeError("expected seconds, such as 60") from None
    if not 0 <= seconds <= 86_400:
        raise argparse.ArgumentTypeError("expected seconds, from 0 to a day")
    return seconds
