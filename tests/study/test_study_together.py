"""A soft mass that stays and then grows, through the whole line: growth is real, and what stays is none.

Seed 4 of ``scripts/validation/soft.py``: a mass of 13 mm, 28 HU darker than muscle, 2 mm slices, noise 19 HU.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(1, str(Path(__file__).parents[2] / "scripts"))
from validation.soft import GROWTH, run

pytestmark = pytest.mark.slow


def test_growth_of_a_soft_mass_is_real_and_an_unchanged_one_has_not_grown() -> None:
    found = run(4)
    stays, *grows = found.changes
    assert stays.same
    assert stays.said == "no"
    assert abs(stays.percent) < 5.0
    for one in grows:
        assert one.said == "yes"
        assert one.inside
        assert one.percent == pytest.approx(100.0 * GROWTH, abs=5.0)
    for value, low, high in found.volumes:
        assert low < 1.0 < high
        assert abs(value - 1.0) < 0.08
