"""How far a difference is known: symmetric, never wider than both intervals together, never of the wrong sign."""

from __future__ import annotations

import math

from hypothesis import given
from hypothesis import strategies as st

from mineralize.change.interval import COMMON, half_widths
from mineralize.measure import Measurement

HALF = st.floats(0.0, 50.0)
NAME = st.sampled_from([*sorted(COMMON)[:6], "noise", "outline"])
PARTS = st.dictionaries(NAME, st.tuples(HALF, HALF), min_size=1, max_size=5)
ENDS = st.frozensets(st.sampled_from(["kvp", "slice", "kernel", "contrast", "maker"]))


def row(scan: int, value: float, parts: dict[str, tuple[float, float]] | None, half: float = 1.0) -> Measurement:
    down = half if parts is None else math.sqrt(sum(d**2 for d, _ in parts.values()))
    up = half if parts is None else math.sqrt(sum(u**2 for _, u in parts.values()))
    return Measurement(scan, "mineral_mass", value, value - down, value + up, "mg", "ok", "", parts=parts)


@given(PARTS, PARTS, ENDS)
def test_never_wider_than_both_together_and_never_less_than_nothing(
    a: dict[str, tuple[float, float]], b: dict[str, tuple[float, float]], unlike: frozenset[str]
) -> None:
    one, other = row(1, 500.0, a), row(2, 700.0, b)
    down, up = half_widths(one, other, unlike)
    assert one.low is not None and one.high is not None and other.low is not None and other.high is not None  # noqa: PT018
    assert 0.0 <= down <= (700.0 - other.low) + (one.high - 500.0) + 1e-9
    assert 0.0 <= up <= (other.high - 700.0) + (500.0 - one.low) + 1e-9


@given(PARTS, PARTS, ENDS)
def test_backwards_is_the_same_turned_round(
    a: dict[str, tuple[float, float]], b: dict[str, tuple[float, float]], unlike: frozenset[str]
) -> None:
    one, other = row(1, 500.0, a), row(2, 700.0, b)
    down, up = half_widths(one, other, unlike)
    back_down, back_up = half_widths(other, one, unlike)
    assert math.isclose(down, back_up, rel_tol=1e-9, abs_tol=1e-9)
    assert math.isclose(up, back_down, rel_tol=1e-9, abs_tol=1e-9)


@given(PARTS, PARTS)
def test_unlike_scans_know_a_difference_no_better(
    a: dict[str, tuple[float, float]], b: dict[str, tuple[float, float]]
) -> None:
    """With equal parts, what is common cancels; where scans differ in all, nothing does (JCGM 100:2008, 5.2.2)."""
    every = frozenset({"kvp", "slice", "kernel", "contrast", "maker", "pixel", "calibration"})
    same = row(1, 500.0, a), row(2, 500.0, a)
    alike, unlike = half_widths(*same, frozenset()), half_widths(*same, every)
    assert alike[0] <= unlike[0] + 1e-9
    assert alike[1] <= unlike[1] + 1e-9


@given(HALF, HALF, ENDS)
def test_without_parts_the_two_add_in_quadrature(a: float, b: float, unlike: frozenset[str]) -> None:
    found = half_widths(row(1, 500.0, None, a), row(2, 700.0, None, b), unlike)
    assert all(math.isclose(half, math.hypot(a, b), rel_tol=1e-9, abs_tol=1e-9) for half in found)
