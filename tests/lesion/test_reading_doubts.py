"""What is doubtful about the reading of a scan limits every measurement of it."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import pytest

from mineralize.base import Note, Verdicts
from mineralize.dicom.agreement import CHECKS
from mineralize.lesion import Hand, SeenScan, seen


def verdicts(monkeypatch: pytest.MonkeyPatch, *notes: Note) -> Verdicts:
    monkeypatch.setattr(seen, "too_bright", lambda *_: None)
    scan = SimpleNamespace(notes=notes, calibration=object())
    own = SimpleNamespace(scan=scan, volume=None, reference=None, hand=Hand())
    outline = SimpleNamespace(vertices=None)
    return SeenScan.verdicts(cast(Any, own), cast(Any, outline))


def test_a_doubt_about_the_reading_reaches_the_measurements(monkeypatch: pytest.MonkeyPatch) -> None:
    (found,) = verdicts(monkeypatch, Note("slice-order", "", "caution", limits=True))
    assert (found.code, found.trust) == ("header-contradicts", "caution")


@pytest.mark.parametrize("note", [Note("stated-spacing", "", "info", limits=True), Note("few-slices", "", "caution")])
def test_a_mere_remark_does_not(monkeypatch: pytest.MonkeyPatch, note: Note) -> None:
    assert verdicts(monkeypatch, note) == ()


def test_only_dates_may_contradict_without_a_limit() -> None:
    """They say nothing of geometry."""
    assert {check.code for check in CHECKS if not check.limits} == {"dates-apart"}
