"""When a change is called real: invented rows, rules as documented, closed forms."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mineralize.base import (
    KINDS,
    UNITS,
    Acquisition,
    Grid,
    InMemory,
    Scan,
    Verdict,
    Volume,
    caution,
    limit_for,
    reason_of,
    trust_of,
)
from mineralize.base.sayings import SAYINGS
from mineralize.change import Change, find_changes
from mineralize.measure import Measurement
from mineralize.timeline import Timeline

GRID = Grid.from_parts((2, 2, 2), (1.0, 1.0, 1.0))
BOX = Volume(np.zeros(GRID.shape, np.float32), GRID)
LIKE = Acquisition(kvp=120.0, kernel="B", kernel_class="soft", slice_thickness_mm=1.5, slice_spacing_mm=1.5,
                   contrast_agent=False)  # fmt: skip


def timeline(second: Acquisition = LIKE, days: int = 60) -> Timeline:
    return Timeline(tuple(Scan(n, d, GRID, a, InMemory(BOX)) for n, d, a in ((1, 10, LIKE), (2, 10 + days, second))))


def row(scan: int, quantity: str, value: float | None, half: float = 0.0, **more: Any) -> Measurement:
    if value is None:
        return Measurement(scan, quantity, None, None, None, UNITS[quantity], "withheld", "cut by the edge")
    doubts = more.pop("doubts", ())
    return Measurement(
        scan, quantity, value, value - half, value + half, UNITS[quantity], trust_of(doubts), reason_of(doubts),
        verdicts=doubts, **more,
    )  # fmt: skip


def change(
    quantity: str, first: float | None, second: float | None, half: float = 0.0, size: float = 40.0,
    line: Timeline | None = None, **more: Any,
) -> Change:  # fmt: skip
    rows = [row(1, quantity, first, half), row(2, quantity, second, half, **more)]
    if quantity != "longest_diameter":
        rows.append(row(1, "longest_diameter", size))
    found = [c for c in find_changes(line or timeline(), rows) if c.quantity == quantity]
    assert len(found) == 1
    return found[0]


def test_real_needs_both_the_interval_and_the_limit() -> None:
    assert change("mineral_mass", 500.0, 700.0, 30.0).real == "yes"
    assert change("mineral_mass", 500.0, 560.0, 5.0).real == "no"  # the interval excludes zero, the limit is not met
    unclear = change("mineral_mass", 500.0, 700.0, 200.0)  # the limit is met, the interval includes zero
    assert unclear.real == "unsure"
    assert change("mineral_mass", 500.0, 505.0, 30.0).real == "no"
    assert change("mineral_mass", 500.0, 300.0, 30.0).real == "yes"  # loss counts as well
    for found in (unclear, change("mineral_mass", 500.0, 700.0, 30.0)):
        assert found.reason


@pytest.mark.parametrize(("size", "limit"), [(20.0, 0.39), (34.0, 0.39), (36.0, 0.29), (49.0, 0.29), (60.0, 0.24)])
def test_volume_limits_depend_on_the_diameter(size: float, limit: float) -> None:
    """39 / 29 / 24 % at 10-34 / 35-49 / 50-100 mm: borrowed from CT tumour volumetry, the numbers from memory."""
    assert limit_for("lesion_volume", size).relative == limit
    below = change("lesion_volume", 1e4, 1e4 * (1 + limit - 0.02), 10.0, size)
    above = change("lesion_volume", 1e4, 1e4 * (1 + limit + 0.02), 10.0, size)
    assert (below.real, above.real) == ("no", "yes")
    assert "borrowed from tumour volumetry" in above.reason


def test_limits_are_written_without_exponents() -> None:
    """0.29 of 8300 mm3 is 2407."""
    assert "within the limit of 2.41 cm3 (" in change("lesion_volume", 8300.0, 7000.0, 10.0, 40.0).reason
    assert "exceeds 28.9 mg (" in change("mineral_mass", 192.57, 300.0, 1.0).reason


def test_unknown_diameter_takes_the_strictest_limit() -> None:
    assert limit_for("lesion_volume", None).relative == 0.39


def test_diameter_needs_a_tenth_and_two_millimetres() -> None:
    """Real diameter change: > 10 % or > 2 mm (Oxnard 2011; Fleischner); here both must be met."""
    assert change("longest_diameter", 15.0, 16.9, 0.1).real == "no"
    assert change("longest_diameter", 40.0, 43.9, 0.1).real == "no"
    assert change("longest_diameter", 40.0, 44.5, 0.1).real == "yes"


def test_withheld_is_unsure_and_empty() -> None:
    for pair in ((None, 500.0), (500.0, None)):
        found = change("mineral_mass", *pair)
        assert found.real == "unsure"
        assert (found.difference, found.percent, found.low, found.high, found.doubling_days) == (None,) * 5
        assert "withheld" in found.reason
        assert "cut by the edge" in found.reason


WIDE = caution("interval-wide", dominant="limb size")
UNSEEN = caution("edge-unseen", share=0.43)
CONTACT = caution("on-bone", share=0.07)


def test_a_caution_that_nobody_can_bound_hides_a_change() -> None:
    """Another structure, mineral outside the outline, a drawn outline: no false growth, however large it reads."""
    for quantity, *doubts in (
        ("mineral_mass", caution("by-candidate")),
        ("mineral_mass", caution("drawn-by-reader")),
        ("mineral_mass", caution("carried-over", scan=1)),
        ("mineral_mass", caution("mineral-outside", share=0.2)),
        ("mineral_mass", WIDE, caution("like-muscle")),
        ("lesion_volume", caution("by-candidate")),
        ("lesion_volume", WIDE, caution("mineral-outside", share=0.2)),
        ("longest_diameter", caution("by-candidate")),
        ("rim_core_ratio", caution("by-candidate")),
    ):
        found = change(quantity, 500.0, 2000.0, 10.0, doubts=tuple(doubts))
        assert found.real == "unsure", doubts
        assert all(doubt.text in found.reason for doubt in doubts)
        assert {v.code for v in found.verdicts} >= {d.code for d in doubts if d is not WIDE}


def test_a_change_far_beyond_any_doubt_is_real_for_every_quantity() -> None:
    """Sixfold growth behind an unseen margin is growth; a change that the margin could have made is not."""
    for quantity, first, little, much in (
        ("lesion_volume", 4800.0, 6200.0, 30800.0),
        ("longest_diameter", 20.0, 22.1, 60.0),
        ("rim_completeness", 0.10, 0.24, 0.90),
        ("rim_thickness", 1.0, 2.5, 9.0),
    ):
        hidden = change(quantity, first, little, 1e-3, doubts=(UNSEEN,))
        assert hidden.real == "unsure", quantity
        assert "could make the change" in hidden.reason
        seen = change(quantity, first, much, 1e-3, doubts=(UNSEEN, WIDE))
        assert seen.real == "yes", quantity
        assert "with caution" in seen.reason
        assert UNSEEN.text in seen.reason


def both(
    first: float, second: float, half: float, *doubts: tuple[Verdict, ...], line: Timeline | None = None
) -> Change:
    rows = [
        row(n + 1, "mineral_mass", v, half, doubts=why)
        for n, (v, why) in enumerate(zip((first, second), doubts, strict=True))
    ]
    return next(c for c in find_changes(line or timeline(), rows) if c.quantity == "mineral_mass")


def test_a_plain_change_of_mass_is_seen_through_a_shared_caution() -> None:
    """Like scans with like cautions: twice the interval must exclude zero, and the caution is told."""
    seen = both(500.0, 625.0, 30.0, (UNSEEN,), (caution("edge-unseen", share=0.45),))
    assert seen.real == "yes"
    assert "with caution (both scans (as in scan 2): no edge is visible along 45%" in seen.reason
    assert both(500.0, 375.0, 30.0, (UNSEEN,), (UNSEEN,)).real == "yes"  # loss as well
    for first, second in ((500.0, 625.0), (625.0, 500.0)):
        hidden = both(first, second, 50.0, (UNSEEN,), (UNSEEN,))  # 71 of 125: without caution this would be real
        assert hidden.real == "unsure"
        assert "could make the change" in hidden.reason
        assert both(first, second, 50.0, (), ()).real == "yes"
    assert both(500.0, 560.0, 5.0, (UNSEEN,), (UNSEEN,)).real == "no"  # below the limit, caution or not


def test_a_caution_of_one_scan_only_may_have_moved_the_mass() -> None:
    """By 30 % of it between unlike scans (40 % where bone is met), by 15 % between like ones."""
    other = timeline(Acquisition(kvp=80.0, kernel="B", kernel_class="soft", slice_thickness_mm=1.5))
    for reasons in (((), (UNSEEN,)), ((UNSEEN,), ()), ((UNSEEN,), (CONTACT,))):
        assert both(500.0, 577.0, 1.0, *reasons).real == "unsure", reasons
        assert both(500.0, 720.0, 1.0, *reasons).real == "yes", reasons
        assert both(500.0, 650.0, 1.0, *reasons, line=other).real == "unsure", reasons
        assert both(500.0, 1500.0, 1.0, *reasons, line=other).real == "yes", reasons
    assert both(500.0, 650.0, 1.0, (UNSEEN,), (UNSEEN,), line=other).real == "unsure"
    assert both(500.0, 1500.0, 1.0, (UNSEEN,), (UNSEEN,), line=other).real == "yes"


def test_the_doubt_beside_bone_is_the_larger_one() -> None:
    """Beside cortex the mass of scans made from projections read up to 39 % low (scripts/validate_projection)."""
    other = timeline(Acquisition(kvp=80.0, kernel="B", kernel_class="soft", slice_thickness_mm=1.5))
    assert both(500.0, 780.0, 1.0, (), (UNSEEN,), line=other).real == "yes"  # 234 of 280
    assert both(500.0, 780.0, 1.0, (), (CONTACT,), line=other).real == "unsure"  # 312 of 280
    assert both(500.0, 900.0, 1.0, (), (CONTACT,), line=other).real == "yes"  # 360 of 400


def test_a_wide_interval_hides_no_change_that_lies_beyond_it() -> None:
    """The interval of the change holds the width already; twice it must exclude zero."""
    plain = both(190.0, 2700.0, 400.0, (WIDE,), (WIDE,))
    assert plain.real == "yes"
    assert "its interval is wide" in plain.reason
    assert both(190.0, 2700.0, 400.0, (), (WIDE,)).real == "yes"
    assert both(2700.0, 190.0, 400.0, (WIDE,), ()).real == "yes"
    assert both(500.0, 900.0, 150.0, (WIDE,), ()).real == "unsure"  # 2 x 212 of 400
    assert both(500.0, 900.0, 300.0, (WIDE,), (WIDE,)).real == "unsure"  # 424 of 400: zero lies inside
    assert both(500.0, 550.0, 100.0, (WIDE,), (WIDE,)).real == "no"  # within the limit
    mixed = both(500.0, 625.0, 30.0, (UNSEEN, WIDE), (UNSEEN,))  # like cautions, but for the width
    assert mixed.real == "yes"
    assert both(500.0, 577.0, 1.0, (UNSEEN, WIDE), (WIDE,)).real == "unsure"  # 75 of 77


def test_a_wide_interval_is_no_doubt_of_a_size_either() -> None:
    found = change("longest_diameter", 40.0, 60.0, 4.0, doubts=(WIDE,))
    assert found.real == "yes"
    assert change("longest_diameter", 40.0, 46.0, 3.0, doubts=(WIDE,)).real == "unsure"
    assert change("rim_completeness", 0.3, 0.9, 0.12, doubts=(WIDE,)).real == "yes"


def test_a_soft_mass_that_grew_is_told_where_its_margin_shows() -> None:
    """Growth by 60 % of a mass of 11 cm3 with an interval of 13 %; at two thirds seen the doubt could make it."""

    def grown(second: float, seen: float) -> str:
        doubts = (caution("no-shell"), caution("soft-margin", share=seen))
        rows = [row(n + 1, "lesion_volume", v, 0.13 * v, doubts=doubts) for n, v in enumerate((11_000.0, second))]
        rows.append(row(1, "longest_diameter", 33.0))
        return next(c for c in find_changes(timeline(), rows) if c.quantity == "lesion_volume").real

    assert grown(18_000.0, 0.95) == "yes"
    assert grown(18_000.0, 0.60) == "unsure"
    assert grown(12_500.0, 0.95) == "no"  # within what repeating shows
    assert grown(11_000.0, 0.95) == "no"


def test_contrast_agent_that_no_header_tells_of_makes_no_change_real() -> None:
    """Muscle reads 10 to 30 HU more after agent (common practice, no source); a scanner moves fat too."""

    def real(muscle: float, fat: float, said: bool | None) -> str:
        second = replace(LIKE, contrast_agent=said)
        rows = [row(1, "mineral_mass", 1000.0, 30.0), row(2, "mineral_mass", 760.0, 30.0)]
        rows += [row(1, "reference_muscle", 52.0, 1.5), row(2, "reference_muscle", 52.0 + muscle, 1.5)]
        rows += [row(1, "fat_reference", -95.0, 2.0), row(2, "fat_reference", -95.0 + fat, 2.0)]
        return next(c for c in find_changes(timeline(second), rows) if c.quantity == "mineral_mass").real

    assert real(0.0, 0.0, None) == "yes"
    assert real(12.0, 0.0, None) == "unsure"
    assert real(12.0, 11.0, None) == "yes"  # the scanner
    assert real(12.0, 0.0, False) == "yes"  # both headers say that none was given


def test_mineral_that_comes_where_there_was_none() -> None:
    """A first scan without mineral: nothing in a soft margin, or in a region carried over."""
    carried = caution("carried-over", scan=2)
    for doubts in (
        (caution("no-shell"), caution("soft-margin", share=0.73), WIDE),
        (carried,),
        (caution("noise-alone"),),
    ):
        assert both(0.0, 300.0, 3.0, doubts, ()).real == "yes", doubts
        assert both(0.0, 4.0, 0.5, doubts, ()).real == "no", doubts  # within 5 mg
    assert both(2.0, 300.0, 3.0, (carried,), ()).real == "unsure"


def test_an_unknown_voltage_cannot_make_a_change_beyond_what_voltages_do() -> None:
    """Slopes 1.897 at 80 and 1.369 at 120 kVp: 28 % of what was read, and two scans need not have shared a voltage."""
    unknown = (caution("kvp-unknown"),)
    for reasons in (((), unknown), (unknown, unknown)):
        assert both(500.0, 1.386 * 500.0, 1.0, *reasons).real == "unsure", reasons
        assert both(500.0, 2000.0, 1.0, *reasons).real == "yes", reasons
    assert both(500.0, 600.0, 1.0, (UNSEEN,), (UNSEEN,)).real == "yes"  # where others would cancel


def test_every_code_has_words_and_every_word_a_code() -> None:
    """A verdict without words cannot be told; words without a verdict are dead."""
    assert set(KINDS) == set(SAYINGS)


@pytest.mark.parametrize(
    ("second", "quantity", "expected"),
    [
        (Acquisition(kvp=80.0, kernel="B", kernel_class="soft", slice_thickness_mm=1.5), "rim_attenuation", "unsure"),
        (Acquisition(kvp=80.0, kernel="B", kernel_class="soft", slice_thickness_mm=1.5), "cortex_reference", "unsure"),
        (Acquisition(kvp=80.0, kernel="B", kernel_class="soft", slice_thickness_mm=1.5), "lesion_volume", "yes"),
        (Acquisition(kvp=120.0, slice_thickness_mm=5.0, slice_spacing_mm=5.0), "mineral_volume", "unsure"),
        (Acquisition(kvp=120.0, kernel="S", kernel_class="sharp", slice_thickness_mm=1.5), "mineral_volume", "unsure"),
        (Acquisition(kvp=120.0, slice_thickness_mm=1.5, contrast_agent=True), "mineral_mass", "unsure"),
        (Acquisition(kvp=120.0, slice_thickness_mm=1.5, contrast_agent=True), "lesion_volume", "yes"),
        (LIKE, "rim_attenuation", "yes"),
    ],
)
def test_unlike_scans_make_some_changes_unsure(second: Acquisition, quantity: str, expected: str) -> None:
    """kVp alone moves mineral HU by up to 39 %, slices and kernels thin rims, contrast agent soft tissue."""
    size = 700.0 if quantity == "mineral_volume" or expected == "yes" else 600.0
    assert change(quantity, 400.0, 900.0, 1.0, line=timeline(second)).real == "yes"  # more than any of it could do
    assert change(quantity, 400.0, size if expected == "yes" else 590.0, 1.0, line=timeline(second)).real == expected


def test_agent_given_once_and_not_stated_once_is_a_difference() -> None:
    """Core +18 HU where agent was given in one scan and nothing is said of the other: agent adds 10 to 100 HU."""
    first = Acquisition(kvp=120.0, kernel="B", kernel_class="soft", slice_thickness_mm=1.5)
    line = Timeline(
        tuple(
            Scan(n, 60 * n, GRID, replace(first, contrast_agent=given), InMemory(BOX))
            for n, given in ((1, None), (2, True))
        )
    )
    found = change("core_attenuation", 42.0, 60.0, 1.0, line=line)
    assert found.real == "unsure"
    assert "contrast agent" in found.reason
    assert change("core_attenuation", 42.0, 60.0, 1.0).real == "yes"


def test_voltage_alone_moves_fat() -> None:
    """Adipose tissue -98.0 HU at 80 kVp, -78.9 at 120 (ICRU-44, xraylib and spekpy): no change of the patient."""
    low = Acquisition(kvp=80.0, kernel="B", kernel_class="soft", slice_thickness_mm=1.5)
    assert change("fat_reference", -78.9, -98.0, 1.0, line=timeline(low)).real == "unsure"
    assert change("core_attenuation", -78.9, -98.0, 1.0, line=timeline(low)).real == "unsure"
    assert change("core_attenuation", 30.0, -70.0, 1.0, line=timeline(low)).real == "yes"
    assert change("core_attenuation", -60.0, -98.0, 1.0).real == "yes"


def test_percent_only_where_it_has_meaning() -> None:
    assert change("mineral_mass", 400.0, 500.0).percent == pytest.approx(25.0)
    assert change("rim_core_ratio", 1.2, 1.5).percent == pytest.approx(25.0)
    for name in ("core_attenuation", "rim_completeness", "zonal_contrast"):
        assert change(name, 0.4, 0.5).percent is None, name
    assert change("mineral_mass", 0.0, 500.0).percent is None


@settings(max_examples=40, deadline=None)
@given(st.floats(5.0, 5000.0), st.floats(0.2, 5.0), st.integers(1, 700))
def test_doubling_time_and_rate(first: float, factor: float, days: int) -> None:
    """Closed form: V(t) = V(0) 2^(t / T); T < 0 where it halves. Rate: difference over days times 30."""
    second = first * factor
    found = change("mineral_mass", first, second, line=timeline(days=days))
    assert found.days == days
    assert found.per_30_days == pytest.approx(30 * (second - first) / days)
    if abs(factor - 1) > 1e-5:
        assert found.doubling_days is not None
        assert first * 2 ** (days / found.doubling_days) == pytest.approx(second, rel=1e-6)


def test_doubling_of_a_quadrupled_volume() -> None:
    found = change("lesion_volume", 1000.0, 4000.0, line=timeline(days=100))
    assert found.doubling_days == pytest.approx(50.0)
    assert change("lesion_volume", 1000.0, 1000.0).doubling_days is None
    assert change("cortex_gap", 1.0, 4.0).doubling_days is None
    same_day = change("lesion_volume", 1000.0, 4000.0, line=timeline(days=0))
    assert (same_day.doubling_days, same_day.per_30_days) == (None, None)


def test_interval_of_the_difference_adds_in_quadrature() -> None:
    found = change("mineral_mass", 500.0, 700.0, 30.0)
    assert (found.low, found.high) == pytest.approx((200 - 30 * np.sqrt(2), 200 + 30 * np.sqrt(2)))


def test_every_pair_once_earlier_first() -> None:
    scans = tuple(Scan(n, 30 * n, GRID, LIKE, InMemory(BOX)) for n in (1, 2, 3))
    rows = [row(n, q, 10.0 * n) for n in (1, 2, 3) for q in ("mineral_mass", "cortex_gap")]
    found = find_changes(Timeline(scans), rows)
    assert [(c.from_scan, c.to_scan) for c in found if c.quantity == "cortex_gap"] == [(1, 2), (1, 3), (2, 3)]
    assert len(found) == 6
