"""Soft masses of real patients from a point in them, against the outline that an expert drew.

Needs ``MINERALIZE_CTDATA``; skipped visibly without it. Soft-tissue sarcoma CT, CC BY 3.0 (Vallieres 2015,
10.7937/K9/TCIA.2015.7GO2GSKS, as re-exported by the IBSI). The expert drew on another image, with margins: what the two
share is what counts, not the last millimetre. Knee and buttock were tuned on; hand and thigh were not.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import ndimage

from mineralize import timeline
from mineralize.base import Settings
from mineralize.lesion import find_lesion, look_at, voxel_masks

sys.path.insert(1, str(Path(__file__).parents[2] / "scripts"))
from validation.real import CASES, on_grid

ROOT = os.environ.get("MINERALIZE_CTDATA", "")
pytestmark = [
    pytest.mark.skipif(not ROOT, reason="MINERALIZE_CTDATA is not set: real scans are not checked"),
    pytest.mark.slow,
]


def found_from_points(name: str, count: int) -> list[tuple[Any, float]]:
    """The outline from the middle of the expert's and from places deep in it, and the Dice of each with it."""
    case = timeline.read(Path(ROOT) / CASES[name][0])
    drawn, grid = on_grid(case), case.scans[0].grid
    seen = look_at(case.scans[0], Settings())
    depth = ndimage.distance_transform_edt(drawn, sampling=grid.spacing)
    deep = np.argwhere(depth > 0.5 * depth.max())
    rng = np.random.default_rng(1)
    points = [np.argwhere(drawn).mean(axis=0), *(deep[rng.integers(len(deep))] for _ in range(count - 1))]
    result = []
    for point in points:
        outline = find_lesion(seen, grid.to_world(point), Settings())
        dice = float("nan")
        if outline is not None:
            own = voxel_masks(outline, grid)["lesion"]
            dice = 2.0 * float((own & drawn).sum()) / float(own.sum() + drawn.sum())
        result.append((outline, dice))
    return result


@pytest.mark.parametrize("name", ["knee without mineral", "buttock"])
def test_a_mass_a_little_darker_than_muscle_is_outlined_from_any_point(name: str) -> None:
    """17 HU darker than muscle; before, 0.04 to 0.26 or nothing."""
    for outline, dice in found_from_points(name, 2):
        assert outline is not None
        assert outline.trust == "caution", outline.reason
        assert dice > 0.75


@pytest.mark.parametrize("name", ["hand", "thigh"])
def test_where_the_margin_does_not_show_nothing_is_claimed(name: str) -> None:
    for outline, dice in found_from_points(name, 1):
        assert outline is None or outline.trust == "withheld" or dice > 0.6, (outline.reason, dice)
