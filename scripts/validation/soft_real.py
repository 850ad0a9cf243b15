"""Real soft masses from points in them, against the outline that an expert drew, and from ten points on that outline.

The expert drew on another image, with margins: what the two share is what counts, not the last millimetre.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np
from scipy import ndimage

from mineralize import timeline
from mineralize.base import Settings
from mineralize.lesion import Hand, Outline, SeenScan, find_lesion, look_at, voxel_masks
from mineralize.study.steps import measure_outlined

from .real import CASES, SOURCE, on_grid

POINTS, TEN = 4, 10
TUNED = ("knee without mineral", "buttock")
"""Masses that the search for a soft margin was tuned on; the others were only looked at."""
AT_MARGIN_SD_MM = 1.0


def there(data: Path) -> bool:
    """Whether the scans are in that folder."""
    return all((data / path).exists() for path, _ in CASES.values())


def lines(data: Path) -> Iterator[str]:
    """Every mass, and the medians over those that were outlined."""
    yield ""
    yield f"real masses: {SOURCE}"
    yield f"from {POINTS} points deep in the expert's outline; (tuned) as in the text. In: the interval of the volume"
    yield "holds the expert's; withheld: outlined, but no volume is stated; none: nothing outlined"
    held, dices = [], []
    for name in CASES:
        case = timeline.read(data / CASES[name][0])
        drawn, grid = on_grid(case), case.scans[0].grid
        seen = look_at(case.scans[0], Settings())
        true = float(drawn.sum() * grid.voxel_volume_mm3)
        cells = []
        for point in points_in(drawn, grid.spacing):
            said, dice, inside = _against(seen, find_lesion(seen, grid.to_world(point), Settings()), drawn, true)
            cells.append(said)
            if inside is not None:
                held.append(inside)
                dices.append(dice)
        tuned = " (tuned)" if name in TUNED else ""
        yield f"  {name + tuned:30s} {true / 1000:6.1f} cm3 | {' | '.join(cells)}"
        hand = Hand(spread_over(drawn, grid), np.full(TEN, AT_MARGIN_SD_MM))
        point = grid.to_world(points_in(drawn, grid.spacing)[0])
        said, _, _ = _against(seen, find_lesion(replace(seen, hand=hand), point, Settings()), drawn, true, hand)
        yield f"  {'':30s}   {TEN} points given | {said}"
    yield ""
    if dices:
        yield f"volumes stated from a point: {len(dices)}; median Dice {median(dices):.2f}; interval holds {sum(held)}"


def points_in(drawn: Any, spacing: Any) -> list[Any]:
    """The middle of a mask and places deep in it (voxel indices), always the same."""
    depth = ndimage.distance_transform_edt(drawn, sampling=spacing)
    deep = np.argwhere(depth > 0.5 * depth.max())
    rng = np.random.default_rng(1)
    return [np.argwhere(drawn).mean(axis=0), *(deep[rng.integers(len(deep))] for _ in range(POINTS - 1))]


def spread_over(drawn: Any, grid: Any) -> Any:
    """(TEN, 3) LPS mm on the surface of a mask, each as far as can be from those before."""
    rind = grid.to_world(np.argwhere(drawn & ~ndimage.binary_erosion(drawn)))
    chosen = [int(rind[:, 2].argmax())]
    away = np.linalg.norm(rind - rind[chosen[0]], axis=1)
    while len(chosen) < TEN:
        chosen.append(int(away.argmax()))
        away = np.minimum(away, np.linalg.norm(rind - rind[chosen[-1]], axis=1))
    return rind[chosen]


def _against(
    seen: SeenScan, outline: Outline | None, drawn: Any, true: float, hand: Hand | None = None
) -> tuple[str, float, bool | None]:
    """In words, with Dice and whether the interval holds (``None`` where no volume is stated)."""
    if outline is None:
        return "none", float("nan"), None
    own = voxel_masks(outline, seen.volume.grid)["lesion"]
    dice = 2.0 * float((own & drawn).sum()) / float(own.sum() + drawn.sum())
    measured = measure_outlined(seen if hand is None else replace(seen, hand=hand), outline, Settings())
    assert measured is not None
    row = next(row for row in measured.rows if row.quantity == "lesion_volume")
    if row.value is None or row.low is None or row.high is None:
        return f"withheld ({dice:.2f})", dice, None
    inside = row.low <= true <= row.high
    off, low, high = (100.0 * (v / true - 1.0) for v in (row.value, row.low, row.high))
    held = "in" if inside else f"out, {row.trust}, {outline.method}"
    return f"Dice {dice:.2f} {off:+.0f} % [{low:+.0f} {high:+.0f}] {held}", dice, inside
