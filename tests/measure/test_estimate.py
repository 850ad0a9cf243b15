"""Intervals and verdicts of a value: closed forms (quadrature), no science."""

from __future__ import annotations

import numpy as np
import pytest

from mineralize.base import caution, withhold
from mineralize.measure import Estimate
from mineralize.measure.estimate import symmetric, withheld

THIN = caution("thin-rim-lowered", share=0.4)


def test_parts_add_in_quadrature_and_stay_in_bounds() -> None:
    found = Estimate("x", "1", 0.9, {"a": 0.3, "b": 0.4}, {"a": 0.3}, bounds=(0.0, 1.0))
    assert found.interval == pytest.approx((0.4, 1.0))
    assert found.dominant == "a"
    assert symmetric("x", "1", 1.0, {"a": 0.1, "b": 0.2}).dominant == "b"
    assert symmetric("x", "1", 1.0, {"a": 0.0}).dominant == ""


def test_worst_verdict_wins_and_says_why() -> None:
    found = Estimate("x", "1", 1.0, verdicts=(THIN, caution("noise-alone"), THIN))
    assert (found.trust, found.reason) == ("caution", f"{THIN.text}; no mineral beyond noise")
    worse = Estimate("x", "1", 1.0, verdicts=(THIN, withhold("cut-by-scan")))
    assert (worse.trust, worse.reason) == ("withheld", "the lesion is cut by the edge of the scan")
    assert Estimate("x", "1", 1.0).trust == "ok"


@pytest.mark.parametrize("value", [None, np.nan, np.inf])
def test_no_value_is_withheld_with_a_reason(value: float | None) -> None:
    found = Estimate("x", "1", value)
    assert found.trust == "withheld"
    assert found.reason
    assert withheld("x", "1", withhold("no-mineral")).reason == "there is no mineral"
