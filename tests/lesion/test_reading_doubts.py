"""What is doubtful about the reading of a scan limits every measurement of it."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, Literal, cast

import pytest

from mineralize.base import READING_DOUBTS, Note, Verdicts
from mineralize.dicom.agreement import CHECKS
from mineralize.lesion import Hand, SeenScan, seen


def verdicts(monkeypatch: pytest.MonkeyPatch, *notes: Note) -> Verdicts:
    monkeypatch.setattr(seen, "too_bright", lambda *_: None)
    scan = SimpleNamespace(notes=notes, calibration=object())
    own = SimpleNamespace(scan=scan, volume=None, reference=None, hand=Hand())
    outline = SimpleNamespace(vertices=None)
    return SeenScan.verdicts(cast(Any, own), cast(Any, outline))


@pytest.mark.parametrize("kind", sorted(READING_DOUBTS))
def test_a_doubt_about_the_reading_reaches_the_measurements(monkeypatch: pytest.MonkeyPatch, kind: str) -> None:
    (found,) = verdicts(monkeypatch, Note(kind, "", "caution"))
    assert (found.code, found.trust) == ("header-contradicts", "caution")


@pytest.mark.parametrize(
    ("kind", "level"), [("stated-spacing", "info"), ("few-slices", "caution"), ("padding", "info")]
)
def test_a_mere_remark_does_not(
    monkeypatch: pytest.MonkeyPatch, kind: str, level: Literal["info", "caution", "refused"]
) -> None:
    assert verdicts(monkeypatch, Note(kind, "", level)) == ()


def test_every_comparison_that_only_cautions_is_among_them() -> None:
    """Dates say nothing of geometry; bits and scale are refused."""
    assert {check.code for check in CHECKS} - READING_DOUBTS == {"pixel-format", "value-scale", "dates-apart"}
