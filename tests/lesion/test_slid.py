"""A lesion that slid with its muscle is found again if it alone can be it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from mineralize.lesion.candidates import Candidate
from mineralize.lesion.slid import SLIDES_MM, alike, own_body, within_reach

BODY = Candidate(1, 1, (10.0, 0.0, 0.0), 4000.0, 1600.0, 45.0, 9.0, 1600.0, "")


def at(x: float, **changed: float) -> Candidate:
    return replace(BODY, point=(x, 0.0, 0.0), **changed)


@pytest.mark.parametrize(
    ("changed", "same"),
    [
        ({}, True),
        ({"mass_mg": 1200.0}, True),
        ({"mass_mg": 700.0}, False),
        ({"extent_mm": 30.0}, False),
        ({"volume_mm3": 9000.0}, False),
    ],
)
def test_alike_is_mass_extent_and_density(changed: dict[str, float], same: bool) -> None:
    assert alike(BODY, at(0.0, **changed)) is same
    assert alike(at(0.0, **changed), BODY) is same


def test_only_what_muscle_may_carry_so_far_is_the_lesion() -> None:
    here = np.zeros(3)
    near, far = at(SLIDES_MM - 1.0), at(SLIDES_MM + 3.0)
    assert within_reach([near, far], BODY, here, 0.0) == [near]
    assert within_reach([near, at(-5.0)], BODY, here, 0.0) == [near, at(-5.0)]
    assert within_reach([at(3.0, mass_mg=300.0)], BODY, here, 0.0) == []


def test_the_body_of_the_lesion_is_the_heaviest_inside_it() -> None:
    speck = at(2.0, mass_mg=30.0)
    assert own_body([speck, BODY], np.zeros(3), 20.0) == BODY
    assert own_body([at(60.0)], np.zeros(3), 20.0) is None
