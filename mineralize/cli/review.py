"""The command for the review page: its grammar, and a function that calls."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from .later import Later

if TYPE_CHECKING:
    from .. import web
else:
    web = Later("web")

SERVE = """\
Opens a page in the browser that does the whole job: drop scans in, point at
the lesion, correct the outline, mark the biopsy, record the impression, make
the summary. It answers to this machine only. What it saves is case.toml in
the case's own folder, and results in FOLDER/mineralize-results. Prints one
line, the start address, and runs until Ctrl+C."""


def add_options(sub: argparse.ArgumentParser) -> None:
    """What the command takes."""
    about = "folder with one folder or .zip per case (default: this one)"
    sub.add_argument("root", metavar="FOLDER", type=Path, nargs="?", default=Path(), help=about)
    sub.add_argument("--port", metavar="N", type=int, default=0, help="port to answer on (default: a free one)")
    sub.add_argument("--no-open", action="store_true", help="do not open the browser")


def run_page(a: argparse.Namespace) -> int:
    """Serve until stopped."""
    return web.serve(a.root, port=a.port, open_browser=not a.no_open)
