"""The one formatter over all numbers: what is read is what was measured, rounded alike."""

from __future__ import annotations

import math
import re

from hypothesis import assume, given
from hypothesis import strategies as st

from mineralize.base import MINUS, QUANTITIES, THIN, decimals_for, number, places, shown_as, value_text

VALUE = st.floats(-1e7, 1e7, allow_nan=False)
DECIMALS = st.integers(-2, 4)
ROW = st.sampled_from(sorted(QUANTITIES))


def read(text: str) -> float:
    """The number that a reader sees."""
    return float(text.replace(THIN, "").replace(MINUS, "-"))


@given(VALUE, DECIMALS, st.booleans())
def test_a_number_is_read_back_within_half_its_last_digit(value: float, decimals: int, sign: bool) -> None:
    text = number(value, decimals, sign=sign)
    assert abs(read(text) - value) <= 0.5 * 10.0**-decimals * (1 + 1e-9) + 1e-6 * abs(value) * 1e-6
    assert "-" not in text, "a hyphen is no minus"
    assert text not in (f"{MINUS}0", f"{MINUS}0.0", "+0", "+0.0"), "nothing has no sign"


@given(VALUE, DECIMALS)
def test_the_sign_says_which_way(value: float, decimals: int) -> None:
    text = number(value, decimals, sign=True)
    shown = read(text)
    assert text.startswith("+") == (shown > 0)
    assert text.startswith(MINUS) == (shown < 0)


@given(VALUE, VALUE, DECIMALS)
def test_rounding_keeps_the_order(one: float, other: float, decimals: int) -> None:
    assume(one <= other)
    assert read(number(one, decimals)) <= read(number(other, decimals))


@given(st.floats(1e-6, 1e6))
def test_a_half_width_keeps_one_or_two_digits(half: float) -> None:
    decimals = decimals_for(half)
    assert decimals <= 3
    if decimals < 3:
        step = 10.0**-decimals
        assert step <= half * (1 + 1e-9)
        assert half < 31 * step


@given(ROW, st.floats(1e-3, 1e5), st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_a_value_and_its_interval_are_rounded_alike(name: str, value: float, down: float, up: float) -> None:
    row = QUANTITIES[name]
    value = min(value, row.bounds[1])
    low, high = value * (1 - down), min(value * (1 + up), row.bounds[1])
    text = value_text(name, row.unit, value, low, high)
    factor, unit, most = shown_as(name, row.unit)
    found = [read(part) for part in re.findall(rf"[{MINUS}+]?[\d{THIN}]*\d(?:\.\d+)?", text)][:3]
    decimals = places(name, row.unit, value, low, high)
    assert decimals <= max(most, 1)
    for shown, true in zip(found, (value, low, high), strict=True):
        assert math.isclose(shown, factor * true, abs_tol=0.5 * 10.0**-decimals * (1 + 1e-6) + 1e-9 * factor * true)
    assert found[1] <= found[0] <= found[2]
    assert (unit in text) or not unit
