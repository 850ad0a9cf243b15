"""Typed text made harmless: what may not pass is named by the Unicode Standard."""

from __future__ import annotations

import csv
import io
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mineralize.base import cell_text, plain_text, unknown_key

BIDI = "\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"
"""Unicode Standard Annex 9, section 2: the explicit directional formatting characters."""


def test_marks_of_direction_and_control_characters_go() -> None:
    hostile = "".join(chr(c) for c in (*range(0x20), *range(0x7F, 0xA0)) if chr(c) not in "\n\t\r")
    assert plain_text(f"a{BIDI}b{hostile}c\ufeff\u200b\ud800d") == "abcd"


def test_lines_and_letters_stay() -> None:
    kept = "Αθήνα 日本語 עברית\n\tJosé क्‍ष"
    assert plain_text(kept) == kept
    assert plain_text("Jose\u0301") == "José"
    assert plain_text("a\r\nb\rc\u2028d\u2029e") == "a\nb\nc\nd\ne"
    assert plain_text(" a \n\t b ", one_line=True) == "a b"


@given(st.text())
def test_what_comes_out_can_be_written_anywhere_and_stays(text: str) -> None:
    made = plain_text(text)
    made.encode("utf-8")
    assert plain_text(made) == made
    assert not [c for c in made if unicodedata.category(c) in ("Cc", "Cs") and c not in "\n\t"]
    assert not set(made) & set(BIDI)


@pytest.mark.parametrize("typed", ["=1+1", "+1", "-1+1", "@SUM(A1)", "\t=1+1", " =1+1", "\r=1", "\u202e=1+1"])
def test_formulas_become_text(typed: str) -> None:
    """Common practice (OWASP, CSV injection): the cell begins with an apostrophe, which spreadsheets take for text."""
    assert cell_text(typed).startswith("'")
    held = io.StringIO()
    csv.writer(held).writerow([cell_text(typed)])
    assert held.getvalue().startswith(("'", "\"'"))


def test_other_text_is_left_alone() -> None:
    assert cell_text("K-017") == "K-017"
    assert cell_text("") == ""


def test_a_key_is_quoted_only_where_it_is_a_slip_of_the_pen() -> None:
    assert "did you mean 'onset'" in unknown_key("onsett", 1, ["alias", "onset"])
    for name in ("Zzyx Quillon", "zzyx", "1961-02-03", "onset\u202e", "x" * 10**6):
        assert unknown_key(name, 4, ["alias", "onset"]) == "key 4 is unknown (known: alias, onset)"
