"""How often a pair may be tried, and what a second try is worth."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from mineralize.align import Alignment
from mineralize.base import Rigid, Settings, withhold
from mineralize.bones import LesionZone
from mineralize.study import steps

SURFACE = np.eye(3) * 10.0
KNOWN = LesionZone(np.zeros(3), 10.0, SURFACE)
UNKNOWN = LesionZone(np.zeros(3), 25.0)
REFUSED = withhold("rival-pose")


def found(*, trusted: bool, sd_mm: float) -> Alignment:
    if trusted:
        return Alignment(2, 1, Rigid.identity(), 0.1, 1.0, "ok", "fits", predicted_sd_mm=sd_mm)
    verdicts = (REFUSED,)
    return Alignment(
        2, 1, Rigid.identity(), 0.1, 1.0, "withheld", REFUSED.text, predicted_sd_mm=sd_mm, verdicts=verdicts
    )


def tried(
    monkeypatch: pytest.MonkeyPatch, zone: LesionZone, *answers: Alignment
) -> tuple[Alignment, list[dict[str, Any]]]:
    asked: list[dict[str, Any]] = []

    def answer(*_: object, **more: Any) -> Alignment:
        asked.append(more)
        return answers[len(asked) - 1]

    monkeypatch.setattr(steps, "align", answer)
    scan = SimpleNamespace(volume=None, skeleton=None)
    return steps.align_pair({1: scan, 2: scan}, 2, 1, zone, Settings()), asked  # type: ignore[dict-item]


def test_what_is_trusted_at_first_is_not_tried_again(monkeypatch: pytest.MonkeyPatch) -> None:
    result, asked = tried(monkeypatch, KNOWN, found(trusted=True, sd_mm=0.3))
    assert result.trust == "ok"
    assert len(asked) == 1
    assert asked[0]["lesion_surface"] is SURFACE


def test_a_second_try_leaves_out_the_level_and_is_cautioned(monkeypatch: pytest.MonkeyPatch) -> None:
    """However well it fits, and also where the refused one claimed a smaller error."""
    result, asked = tried(monkeypatch, KNOWN, found(trusted=False, sd_mm=0.1), found(trusted=True, sd_mm=0.3))
    assert [one["lesion_surface"] is None for one in asked] == [False, True]
    assert asked[1]["lesion_radius_mm"] == KNOWN.radius
    assert result.trust == "caution"
    assert result.predicted_sd_mm == 0.3
    assert [v.code for v in result.verdicts] == ["aligned-again"]
    assert REFUSED.text in result.reason


def test_there_is_no_third_try(monkeypatch: pytest.MonkeyPatch) -> None:
    first = found(trusted=False, sd_mm=0.4)
    result, asked = tried(monkeypatch, KNOWN, first, found(trusted=False, sd_mm=0.1))
    assert result is first
    assert len(asked) == 2


def test_where_the_outline_is_unknown_there_is_one_try(monkeypatch: pytest.MonkeyPatch) -> None:
    result, asked = tried(monkeypatch, UNKNOWN, found(trusted=False, sd_mm=0.4))
    assert result.trust == "withheld"
    assert len(asked) == 1
