"""The command line: parse, call, print, exit code. Nothing is computed here."""

from __future__ import annotations

import argparse
import sys
import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

from .. import __version__
from . import completion, curve, log, many, review, streams
from .ending import Stopped, stoppable
from .later import Later
from .progress import Progress
from .streams import complain, say

if TYPE_CHECKING:
    from .. import cases
    from ..base import LesionNeeded, Settings
    from ..cases import Outcome
    from ..results import Options, texts
    from ..timeline import inspection
else:
    cases, inspection, texts = Later("cases"), Later("timeline", "inspection"), Later("results", "texts")

EXIT_CODES = """\
exit codes:
  0  done
  2  wrong usage
  3  needs an answer: which of the numbered candidates is the lesion?
  4  the input cannot be used, or the results cannot be written
  5  done, with some values withheld; each says why
  128 + n  stopped by signal n; nothing is left half-written"""

DESCRIPTION = """\
Turns serial CT of a mineralising soft-tissue lesion into a measured imaging
history, to lay beside the slides: scans lined up on the skeleton, the lesion
outlined, its zones, mineral, bone and muscle around measured, each number
with its interval and its trust. It makes no diagnosis."""

EPILOG = f"""\
start here:
  mineralize inspect CASE              what is there, what was chosen, and why
  mineralize summarise CASE --out DIR  the main job; then open DIR/summary.html

{EXIT_CODES}"""

SUMMARISE = """\
Reads a case (a folder, a .zip or a DICOMDIR with CT series, optionally a
case.toml), finds the lesion, measures it in every scan, and writes
summary.html, summary.pdf, measurements.csv, changes.csv, history.json,
figures/ and dicom/ into DIR: whole, or not at all."""

SUMMARISE_EPILOG = f"""\
examples:
  mineralize summarise scans --out results
  mineralize summarise scans --out results --seed 38,-0.3,18.8 --scan 2

{EXIT_CODES}"""

IMPRESSION = """\
Records what the slides show, as a form filled in before imaging speaks (see
summarise --sealed), with time stamp and hash. An impression can be amended
with a reason; earlier versions stay. Without an option it asks question by
question in a terminal, and lists the versions where there is none."""


COMPLETION = """\
Prints a script for bash, zsh or fish. To have commands and options completed,
put this into the file that your shell reads when it starts:
  eval "$(mineralize completion bash)"      (zsh alike)
  mineralize completion fish | source"""


class _Help(argparse.RawDescriptionHelpFormatter):
    """Wide enough that a command and what it does stand on one line."""

    def __init__(self, prog: str) -> None:
        super().__init__(prog, max_help_position=26, width=92)
        self._action_max_length = 15


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> NoReturn:
        self.exit(2, f"{self.prog}: {message}; see {self.prog} --help\n")


def parser() -> argparse.ArgumentParser:
    """The command line's grammar."""
    top = _Parser(prog="mineralize", description=DESCRIPTION, epilog=EPILOG, formatter_class=_Help)
    top.add_argument("--version", action="version", version=f"mineralize {__version__}")
    commands = top.add_subparsers(dest="command", title="commands", metavar="COMMAND", prog="mineralize", required=True)

    def command(name: str, brief: str, about: str, epilog: str | None = None) -> argparse.ArgumentParser:
        return commands.add_parser(name, help=brief, description=about, epilog=epilog, formatter_class=_Help)

    sub = command("summarise", "measure one case and write its page and tables", SUMMARISE, SUMMARISE_EPILOG)
    sub.add_argument("case", metavar="CASE", type=Path, help="folder, .zip or DICOMDIR")
    sub.add_argument("--out", metavar="DIR", type=Path, required=True, help="where the results go")
    sub.add_argument(
        "--seed",
        metavar="X,Y,Z",
        type=_point,
        help="a point in the lesion, LPS millimetres of the scan given by --scan",
    )
    sub.add_argument(
        "--scan", metavar="N", type=int, help="the scan that --seed belongs to, in time order from 1 (default: 1)"
    )
    sub.add_argument("--alias", metavar="NAME", default="", help="how outputs call the case (default: from case.toml)")
    sub.add_argument(
        "--jobs", metavar="N", type=_count, help="scans at a time, and cores to use at most (default: all)"
    )
    _outputs(sub)
    _shared(sub)

    sub = command("inspect", "say what a case holds, what is chosen and why", "Reads a case and says what is there.")
    sub.add_argument("case", metavar="CASE", type=Path, help="folder, .zip or DICOMDIR")
    _shared(sub, settings=False)

    sub = command("impression", "record what the slides show, before or after imaging speaks", IMPRESSION)
    sub.add_argument("out", metavar="DIR", type=Path, help="results folder of a case")
    what = sub.add_mutually_exclusive_group()
    what.add_argument("--form", action="store_true", help="print a blank form (TOML) and stop")
    what.add_argument("--from", dest="form_file", metavar="FORM", type=Path, help="record the answers of a filled form")
    sub.add_argument("--because", metavar="TEXT", default="", help="why an earlier impression is amended")

    sub = command("batch", "summarise every case of a folder", many.BATCH, EXIT_CODES)
    many.add_options(sub, _count)
    _outputs(sub)
    _shared(sub)

    review.add_options(command("serve", "open the review page on this machine, in the browser", review.SERVE))
    curve.add_options(command("curve", "fit one quantity over the days in many lesions", curve.CURVE))

    sub = command("completion", "print what a shell needs to complete commands and options", COMPLETION)
    sub.add_argument("shell", metavar="SHELL", choices=completion.SHELLS, help=", ".join(completion.SHELLS))
    return top


def _outputs(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("--sealed", action="store_true", help="cover what imaging says until an impression is recorded")
    sub.add_argument("--dicom-pdf", action="store_true", help="also put summary.pdf into a DICOM object, in dicom/")


def _shared(sub: argparse.ArgumentParser, *, settings: bool = True) -> None:
    if settings:
        sub.add_argument(
            "--settings", metavar="FILE", type=Path, help="TOML with settings, instead of those of case.toml"
        )
    sub.add_argument("--keep-dates", action="store_true", help="write calendar dates (default: days from day zero)")
    sub.add_argument(
        "--keep-identifiers", action="store_true", help="write identifiers where a format can hold them (default: none)"
    )
    log.add_options(sub)


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line; returns the exit code."""
    streams.ready()
    given = list(sys.argv[1:] if argv is None else argv)
    try:
        arguments = parser().parse_args(_joined_seed(given))
    except SystemExit as stop:
        return int(stop.code or 0)
    # Libraries quote what they stumble over, and that may be a patient's name.
    warnings.simplefilter("ignore")
    try:
        with stoppable(lambda: cases.abandon()):
            return _run(arguments)
    except Stopped as stop:
        complain(texts.STOPPED)
        return stop.exit_code


def _run(arguments: argparse.Namespace) -> int:
    from ..base import LesionNeeded, MineralizeError, collect_seldom

    collect_seldom()
    try:
        with log.listening(arguments):
            return int(_COMMANDS[arguments.command](arguments))
    except LesionNeeded as error:
        complain(str(error))
        return _told(candidates_listing(error), error.exit_code)
    except MineralizeError as error:
        complain(str(error))
        return error.exit_code
    except BrokenPipeError:
        streams.drop()
        return 0


def _told(text: str, exit_code: int) -> int:
    """Print, and return the exit code; a stream that takes nothing makes a worse one of 0 only."""
    from ..base import OutputError

    try:
        say(text)
    except OutputError as error:
        complain(str(error))
        return exit_code or error.exit_code
    return exit_code


def _summarise(a: argparse.Namespace) -> int:
    from ..base import UsageError

    if a.scan is not None and a.seed is None:
        raise UsageError("--scan says which scan --seed belongs to; give --seed too")
    request = cases.Request(
        a.case,
        seed=a.seed,
        seed_scan=a.scan if a.scan is not None else 1,
        alias=a.alias,
        settings=_settings(a.settings),
        sealed=a.sealed,
        options=_options(a),
        jobs=a.jobs,
    )
    with Progress() as progress:
        outcome = cases.run(request, a.out, on_step=progress)
    return _told(_summary(outcome), outcome.exit_code)


def _inspect(a: argparse.Namespace) -> int:
    with Progress() as progress:
        text = inspection.report(a.case, keep_dates=a.keep_dates, keep_identifiers=a.keep_identifiers, on_step=progress)
    say(text)
    return 0


def _impression(a: argparse.Namespace) -> int:
    from . import slides  # it takes the rest with it

    return slides.run(a, _told)


def _batch(a: argparse.Namespace) -> int:
    template = cases.Request(a.root, settings=_settings(a.settings), sealed=a.sealed, options=_options(a))
    return many.run_batch(a, template, _told)


def _completion(a: argparse.Namespace) -> int:
    return _told(completion.script(parser(), a.shell).rstrip("\n"), 0)


_COMMANDS = {
    "completion": _completion,
    "summarise": _summarise,
    "inspect": _inspect,
    "impression": _impression,
    "batch": _batch,
    "serve": review.run_page,
    "curve": curve.run,
}


def candidates_listing(error: LesionNeeded) -> str:
    """The numbered candidates of an undecided case, with how to answer."""
    if not error.candidates:
        return texts.NO_CANDIDATES
    lines = [texts.CANDIDATES_HEAD]
    for c in error.candidates:
        x, y, z = (f"{v:.1f}" for v in c.point)
        lines.append(
            texts.CANDIDATE_LINE.format(
                number=c.number, scan=c.scan, x=x, y=y, z=z, bone=f"{c.bone_distance_mm:.0f}", why=c.why
            )
        )
    first = error.candidates[0]
    seed = ",".join(f"{v:.1f}" for v in first.point)
    lines.append(texts.CANDIDATES_ANSWER.format(number=first.number, seed=seed, scan=first.scan))
    return "\n".join(lines)


def _summary(outcome: Outcome) -> str:
    d = outcome.document
    days = [scan["day"] for scan in d["scans"]]
    ok = len(d["measurements"]) + len(d["alignment"]) - outcome.withheld - outcome.cautions
    return "\n".join(
        (
            texts.DONE.format(
                case=d["case"],
                scans=len(days),
                first=days[0],
                last=days[-1],
                zero=f"day 0 is the {d['day_zero']}",
                reference=d["reference_scan"],
            ),
            texts.DONE_TRUST.format(ok=ok, cautions=outcome.cautions, withheld=outcome.withheld),
            texts.DONE_WHERE,
        )
    )


def _options(a: argparse.Namespace) -> Options:
    from ..results import Options

    return Options(keep_dates=a.keep_dates, keep_identifiers=a.keep_identifiers, dicom_pdf=a.dicom_pdf)


def _settings(path: Path | None) -> Settings | None:
    from ..base import Settings, read_toml

    if path is None:
        return None
    table = read_toml(path, "the settings file")
    return Settings.from_mapping(table.get("settings", table))


def _point(text: str) -> tuple[float, float, float]:
    try:
        x, y, z = (float(part) for part in text.split(","))
    except ValueError:
        raise argparse.ArgumentTypeError("expected three numbers X,Y,Z in millimetres, such as 38,-0.3,18.8") from None
    if not all(abs(v) < 1e5 for v in (x, y, z)):
        raise argparse.ArgumentTypeError("expected three finite numbers X,Y,Z in millimetres")
    return x, y, z


def _count(text: str) -> int:
    if not text.isdigit() or int(text) < 1:
        raise argparse.ArgumentTypeError("expected a whole number from 1")
    return int(text)


def _joined_seed(given: list[str]) -> list[str]:
    """``--seed -3,4,5`` as ``--seed=-3,4,5``: argparse would take the minus for an option."""
    joined: list[str] = []
    for word in given:
        if joined and joined[-1] == "--seed" and word.startswith("-") and "," in word:
            joined[-1] = f"--seed={word}"
        else:
            joined.append(word)
    return joined
