"""Changes of volume where a soft margin was drawn together in two scans: what is common to both does not count."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from mineralize.base import Acquisition, Grid, InMemory, Scan, Volume, caution, limit_for
from mineralize.change import Change, find_changes
from mineralize.change.interval import half_widths
from mineralize.measure import Measurement
from mineralize.timeline import Timeline

GRID = Grid.from_parts((2, 2, 2), (1.0, 1.0, 1.0))
LIKE = Acquisition(kvp=120.0, kernel="B", kernel_class="soft", slice_thickness_mm=1.5, slice_spacing_mm=1.5,
                   contrast_agent=False)  # fmt: skip
SOFT = (caution("no-shell"), caution("soft-margin", share=0.7))


def row(scan: int, volume: float, own: float, common: float = 0.15, *, together: bool = True) -> Measurement:
    """A volume with these relative half-widths: its own, and that of the surface which all scans share."""
    parts = {"outline": (own * volume,) * 2, "soft margin" if together else "outline": (common * volume,) * 2}
    half = volume * (own**2 + common**2) ** 0.5
    if not together:
        parts = {"outline": (half, half)}
    verdicts = (*SOFT, caution("drawn-together", scans="1 and 2")) if together else SOFT
    return Measurement(
        scan, "lesion_volume", volume, volume - half, volume + half, "mm3", "caution", "a soft margin",
        parts=parts, verdicts=verdicts,
    )  # fmt: skip


def change(first: Measurement, second: Measurement, other: Acquisition = LIKE, diameter: float = 30.0) -> Change:
    volume = Volume.__new__(Volume)
    scans = tuple(Scan(n, 60 * n, GRID, a, InMemory(volume)) for n, a in ((1, LIKE), (2, other)))
    size = Measurement(1, "longest_diameter", diameter, diameter - 1, diameter + 1, "mm", "ok")
    found = find_changes(Timeline(scans), [first, second, size])
    return next(c for c in found if c.quantity == "lesion_volume")


def test_the_common_surface_counts_by_what_the_volume_changed() -> None:
    """Propagation of what is wholly common, JCGM 100:2008, 5.2.2: r = 1 leaves |a - b|, here 0.15 of 3000 mm3."""
    down, up = half_widths(row(1, 1e4, 0.0), row(2, 1.3e4, 0.0), frozenset())
    assert (down, up) == pytest.approx((0.15 * 3000.0,) * 2)
    down, up = half_widths(row(1, 1e4, 0.04), row(2, 1e4, 0.04), frozenset())
    assert (down, up) == pytest.approx((2**0.5 * 0.04 * 1e4,) * 2)


@pytest.mark.parametrize("what", ["slice", "kernel", "kvp", "contrast"])
def test_unlike_scans_share_no_surface(what: str) -> None:
    """0.15 of each, in quadrature."""
    _, up = half_widths(row(1, 1e4, 0.0), row(2, 1e4, 0.0), frozenset({what}))
    assert up == pytest.approx(2**0.5 * 1500.0)


def test_growth_of_three_tenths_is_real_where_it_was_read_from_scan_to_scan() -> None:
    assert change(row(1, 1e4, 0.03), row(2, 1.3e4, 0.03)).real == "yes"
    alone = [row(n, v, 0.03, together=False) for n, v in ((1, 1e4), (2, 1.3e4))]
    assert change(*alone).real != "yes"


@pytest.mark.parametrize("growth", [0.0, 0.05, 0.15, 0.24, -0.2])
def test_less_than_a_quarter_is_none(growth: float) -> None:
    assert change(row(1, 1e4, 0.03), row(2, (1 + growth) * 1e4, 0.03)).real == "no"


def test_growth_that_the_scans_do_not_tell_is_not_real() -> None:
    """Own half-widths of 13 %: twice their 18 % in quadrature is more than three tenths."""
    assert change(row(1, 1e4, 0.13), row(2, 1.3e4, 0.13)).real != "yes"


def test_between_unlike_scans_nothing_is_gained() -> None:
    other = replace(LIKE, kernel_class="sharp")
    assert change(row(1, 1e4, 0.03), row(2, 1.3e4, 0.03), other).real != "yes"


def test_one_margin_drawn_alone_gains_nothing() -> None:
    assert change(row(1, 1e4, 0.03), row(2, 1.3e4, 0.03, together=False)).real != "yes"


@pytest.mark.parametrize(("size", "limit"), [(20.0, 0.25), (40.0, 0.25), (60.0, 0.24), (None, 0.25)])
def test_the_limit_is_that_of_volumes_read_at_once(size: Any, limit: float) -> None:
    """Growth is 25 % or more between two scans (van Klaveren 2009, N Engl J Med 361:2221), or less by size."""
    found = limit_for("lesion_volume", size, together=True)
    assert found.relative == limit
    assert limit_for("mineral_mass", size, together=True) == limit_for("mineral_mass", size)
