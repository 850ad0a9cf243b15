"""Reasons kept in plain letters are set like all other numbers where a person reads them."""

from __future__ import annotations

import pytest

from mineralize.base import MINUS, THIN, neat, value_text


@pytest.mark.parametrize(
    ("plain", "read"),
    [
        ("along 48% of the outline", f"along 48{THIN}% of the outline"),
        ("65 %, 95 % interval 52 to 76", f"65{THIN}%, 95{THIN}% interval 52 to 76"),
        ("exceeds 2.26 cm3 (own)", f"exceeds 2.26{THIN}cm³ (own)"),
        ("within 30 mm2", f"within 30{THIN}mm²"),
        ("1.3 HU per mg/cm3", f"1.3{THIN}HU per mg/cm³"),
        ("from -30 HU", f"from {MINUS}30{THIN}HU"),
        ("slices 5.0 mm apart", f"slices 5.0{THIN}mm apart"),
        # names, days, versions and ranges keep their letters
        ("K-017 on day 3, scan 2-4, lesion_mm3, 2024-03-02", "K-017 on day 3, scan 2-4, lesion_mm3, 2024-03-02"),
        ("10 mmol", "10 mmol"),
    ],
)
def test_numbers_in_sentences_are_set_alike(plain: str, read: str) -> None:
    assert neat(plain) == read
    assert neat(read) == read


def test_what_the_formatter_writes_is_neat() -> None:
    text = value_text("lesion_volume", "mm3", -2260.0, -2400.0, -2100.0, sign=True)
    assert neat(text) == text


def test_a_share_that_is_certain_has_no_decimals() -> None:
    assert value_text("cleft_fraction", "1", 1.0, 1.0, 1.0) == f"100{THIN}% (100 to 100)"
    assert value_text("cleft_fraction", "1", 0.013, 0.011, 0.015) == f"1.3{THIN}% (1.1 to 1.5)"
