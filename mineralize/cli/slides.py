"""The command that records what the slides show: a form printed, filled in, or asked in a terminal."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence

from .. import cases
from ..base import UsageError
from ..results import Record, ask, blank_form, filled_form, impression, texts
from .streams import say

Told = Callable[[str, int], int]
"""Prints what was done and returns the exit code."""


def run(a: argparse.Namespace, told: Told) -> int:
    """Print a form, record one, ask one, or list what was recorded."""
    if a.form:
        held = cases.versions(a.out)
        text = filled_form(held[-1].impression, held[-1].version) if held else blank_form()
        say(text.removesuffix("\n"))
        return 0
    if a.form_file is not None:
        made = cases.record_impression(a.out, a.form_file, a.because)
        seen = texts.SEEN[made.findings_seen]
        return told(texts.RECORDED.format(version=made.version, seen=seen, digest=made.digest), 0)
    found = cases.versions(a.out)
    if sys.stdin is not None and sys.stdin.isatty() and sys.stdout.isatty():
        return _asked(a, found, told)
    if not found:
        say(texts.NOT_RECORDED)
    for r in found:
        say(f"version {r.version}  {r.recorded_at}  {texts.SEEN[r.findings_seen]}  {r.digest}  {r.because}".rstrip())
    return 0


def _asked(a: argparse.Namespace, found: Sequence[Record], told: Told) -> int:
    """The form step by step in a terminal; an earlier version is offered to be amended."""
    because = a.because
    earlier = found[-1].impression if found else None
    try:
        if found:
            say(texts.ASK_AMEND.format(version=found[-1].version))
            because = because or input(texts.ASK_BECAUSE).strip()
            if not because:
                return 0
        answers = ask(input, say, earlier, ticks=impression.findings_open(a.out))
    except EOFError:
        raise UsageError(texts.ASK_STOPPED) from None
    made = cases.record_answers(a.out, answers, because)
    seen = texts.SEEN[made.findings_seen]
    return told(texts.RECORDED.format(version=made.version, seen=seen, digest=made.digest), 0)
