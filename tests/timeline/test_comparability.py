"""The table of what could make scans unlike."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from mineralize.base import Acquisition, Grid, InMemory, Scan, Volume
from mineralize.timeline.comparable import comparability, notes

BASE = Acquisition(
    kvp=120,
    kernel="B30F",
    kernel_class="soft",
    slice_thickness_mm=1.0,
    slice_spacing_mm=1.0,
    pixel_spacing_mm=0.7,
    reconstruction_diameter_mm=360,
    contrast_agent=False,
    manufacturer="Siemens",
)


def scans(*made: Acquisition) -> list[Scan]:
    grid = Grid.from_parts((2, 3, 4), (1, 1, 1))
    held = InMemory(Volume(np.zeros((2, 3, 4), np.int16), grid))
    return [Scan(n, 30 * n, grid, a, held) for n, a in enumerate(made, 1)]


def test_alike_scans_raise_no_note() -> None:
    assert not any(row.differs for row in comparability(scans(BASE, BASE)))
    assert notes(scans(BASE, BASE)) == ()


@pytest.mark.parametrize(
    ("change", "what", "size"),
    [
        ({"kvp": 80.0}, "tube voltage", "39 % higher at 80 than at 120 kV"),
        ({"kvp": 100.0}, "tube voltage", "14 % higher at 100 than at 120 kV"),
        ({"kvp": None}, "tube voltage", "one scale"),
        ({"kernel": "B70F", "kernel_class": "sharp"}, "kernel", "tens of percent"),
        ({"slice_thickness_mm": 3.0, "slice_spacing_mm": 3.0}, "slices", "67 % lower at 3 than at 1 mm"),
        ({"contrast_agent": True}, "contrast agent", "10 to 30 HU"),
        ({"reconstruction_diameter_mm": 180.0}, "field of view", "cut off"),
        ({"manufacturer": "GE"}, "scanner maker", "10 HU"),
    ],
)
def test_each_difference_is_named_with_its_size(change: dict[str, object], what: str, size: str) -> None:
    """+39 % and +14 %: hydroxyapatite slopes 1.897 / 1.564 / 1.369 at 80 / 100 / 120 kVp (xraylib, spekpy)."""
    other = replace(BASE, **change)  # type: ignore[arg-type]
    found = [row for row in comparability(scans(BASE, other)) if row.differs]
    assert [row.what for row in found if row.what == what] == [what]
    assert any(size in note.text for note in notes(scans(BASE, other)))
