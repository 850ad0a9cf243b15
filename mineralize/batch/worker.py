"""What a worker process of a batch runs: jobs come in on standard input, answers go out on standard output."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from .. import base
from ..cases import one_aide
from .job import do

__all__ = ["do", "main", "serve"]


def main() -> None:
    """Work until the parent is gone."""
    with one_aide():
        serve(do)


def serve(work: Callable[[str, Any], Any]) -> None:
    """Hand every job to ``work``; end at once when standard input ends, whatever is being done."""
    base.serve(lambda job: work(*job))
