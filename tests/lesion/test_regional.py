"""The log likelihood of inside against outside that is learned from samples, against its closed form."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from analytic_shell import SOFT_HU, Shell, reference, rendered

from mineralize.lesion.regional import PER_MM, learn
from mineralize.reference.tissues import Tissue

RNG = np.random.default_rng(4)


def test_evidence_is_the_log_ratio_of_two_normal_densities() -> None:
    """Inside N(20, 10), ring N(60, 10): the log ratio is linear, (x - 40) * 40 / 100 (textbook linear discriminant).

    Half the outside is muscle and fat of the scan; with muscle at 60 too, the outside is mostly one normal.
    """
    ref = replace(reference(rendered(Shell(), margin=2.0)), muscle=Tissue(60.0, 0.5, 1e5))
    found = learn(RNG.normal(20, 10, 50_000), RNG.normal(60, 10, 50_000), ref, 10.0, None)
    at = np.array([32.0, 40.0, 48.0])
    # A kernel of 10 HU smooths both: the spread of each is 14 HU, and the slope half as steep.
    slope = np.diff(found.evidence(at)).mean() / 8.0 / PER_MM
    assert slope == pytest.approx(40.0 / 200.0, rel=0.3)
    assert found.evidence(np.array([np.nan]))[0] == 0.0
    assert found.evidence(np.array([20.0]))[0] < 0.0 < found.evidence(np.array([60.0]))[0]


def test_muscle_stays_outside_though_the_ring_is_all_fat() -> None:
    ref = replace(reference(rendered(Shell(), margin=2.0)), muscle=Tissue(60.0, 0.5, 1e5))
    found = learn(RNG.normal(35, 6, 5000), RNG.normal(-95, 10, 5000), ref, 6.0, None)
    assert found.evidence(np.array([62.0]))[0] > 0.0
    assert found.told_apart > 0.7


def test_what_is_like_its_surroundings_gives_no_evidence() -> None:
    ref = replace(reference(rendered(Shell(), margin=2.0)), muscle=Tissue(SOFT_HU, 0.5, 1e5))
    found = learn(RNG.normal(SOFT_HU, 8, 5000), RNG.normal(SOFT_HU, 8, 5000), ref, 8.0, None)
    assert abs(found.evidence(np.array([SOFT_HU]))[0]) < 0.3
