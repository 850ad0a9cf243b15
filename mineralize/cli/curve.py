"""The command ``curve``: its options, and what it prints."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from .later import Later
from .progress import Progress
from .streams import say

if TYPE_CHECKING:
    from .. import base, cases, cohort
else:
    base, cases, cohort = Later("base"), Later("cases"), Later("cohort")

CURVE = """\
Fits the course of one quantity over many lesions: half-rise day, plateau and
rate with 95 % intervals, the band of the typical lesion and that of new ones.
TABLE is measurements.csv or .parquet, or a folder with one. With --out writes
curve.json, curve.html, curve.svg, curve.png and methods.txt. Needs the extra
mineralize[cohort]; --points works without it."""


def add_options(sub: argparse.ArgumentParser) -> None:
    """The grammar of the command."""
    sub.add_argument(
        "tables", metavar="TABLE", type=Path, nargs="+", help="measurements.csv or .parquet, or its folder"
    )
    sub.add_argument("--quantity", default="mineral_mass", help="a name of the quantity column (default: %(default)s)")
    sub.add_argument("--out", metavar="DIR", type=Path, help="where the results go (default: a summary is printed)")
    sub.add_argument("--points", action="store_true", help="print the values as a table and fit nothing")
    sub.add_argument(
        "--about", metavar="FILE", type=Path, help="CSV of what else is known of cases: patient, onset, ..."
    )
    sub.add_argument(
        "--onset-within", metavar="DAYS", type=_days, default=0.0, help="day zero may be this far off (default: 0)"
    )
    sub.add_argument("--model", choices=("logistic", "gompertz"), default="logistic", help="(default: %(default)s)")
    sub.add_argument("--lay", metavar="CASE", default="", help="lay a case, or the table of one, over the band")
    sub.add_argument("--plan", metavar="TEXT", default="", help='study sizes, as in "n=20,40,80 days=21,42,90,180"')
    sub.add_argument("--random-seed", metavar="N", type=_natural, default=0, help="of the fit (default: 0)")


def run(a: argparse.Namespace) -> int:
    """Read tables, fit or print their points; returns the exit code."""
    if a.points:
        if a.out or a.lay or a.plan:
            raise base.UsageError("--points prints values only; leave out --out, --lay and --plan")
        say(cohort.table(cohort.read_curves(a.tables, a.quantity)).replace("\r\n", "\n").removesuffix("\n"))
        return 0
    if a.out is not None:
        cases.check_output(a.out)
    request = cohort.CurveRequest(
        tuple(a.tables),
        a.quantity,
        a.about,
        a.onset_within,
        family=a.model,
        lay=a.lay,
        plan=cohort.parse_plan(a.plan) if a.plan else None,
        seed=a.random_seed,
    )
    with Progress() as progress:
        document = cohort.curve_record(request, on_step=progress)
        if a.out is not None:
            cohort.write_curve(document, a.out)
    say(cohort.summary(document))
    if "plan" in document:
        say(cohort.plan_text(document["plan"]))
    return 0


def _natural(text: str) -> int:
    if not text.isdigit():
        raise argparse.ArgumentTypeError("expected a whole number from 0")
    return int(text)


def _days(text: str) -> float:
    try:
        days = float(text)
    except ValueError:
        days = -1.0
    if not 0 <= days < 1e4:
        raise argparse.ArgumentTypeError("expected a number of days from 0")
    return days
