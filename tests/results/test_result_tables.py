"""The tables: exact columns, RFC 4180, empty where withheld, digits that read well."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any

import pytest
import study_factory
from hypothesis import given
from hypothesis import strategies as st

from mineralize.base import InputError
from mineralize.results import record, tables


@pytest.fixture(scope="module")
def document() -> Any:
    return record.history(study_factory.study(unresolved=2))


def test_columns_are_the_contract(document: Any) -> None:
    first = tables.measurements(document).split("\r\n", 1)[0]
    assert first == "case,scan,day,quantity,value,low,high,unit,trust,reason,codes"
    first = tables.changes(document).split("\r\n", 1)[0]
    assert first == (
        "case,from_scan,to_scan,days,quantity,difference,percent,low,high,per_30_days,doubling_days,real,reason,unit,codes"
    )


def test_rows_are_the_record(document: Any) -> None:
    rows = list(csv.DictReader(io.StringIO(tables.measurements(document))))
    assert len(rows) == len(document["measurements"])
    for row, origin in zip(rows, document["measurements"], strict=True):
        assert row["case"] == "K-017"
        assert row["trust"] == origin["trust"]
        if origin["trust"] == "withheld":
            assert row["value"] == row["low"] == row["high"] == ""
            assert row["reason"]
        else:
            assert float(row["value"]) == pytest.approx(origin["value"], rel=1e-4, abs=1e-9)
    changes = list(csv.DictReader(io.StringIO(tables.changes(document))))
    assert {row["real"] for row in changes} <= {"yes", "no", "unsure"}
    assert any(row["difference"] == "" and row["reason"] for row in changes)


def test_line_ends_and_quotes_are_rfc_4180() -> None:
    """RFC 4180 section 2: lines end in CRLF, a field with comma, quote or line break is quoted, quotes doubled."""
    text = tables.text_of(("a", "b"), [('x,"y"', "two\nlines")])
    assert text == 'a,b\r\n"x,""y""","two\nlines"\r\n'


def test_what_was_typed_is_no_formula_and_numbers_stay_numbers() -> None:
    """OWASP, CSV injection: cells that begin with = + - @ are run by spreadsheets."""
    text = tables.text_of(
        ("case", "value", "reason"), [("=HYPERLINK(1)", "-60.6", "+1\u202eabc\x07"), ("-5", "3", "@x")]
    )
    assert text == "case,value,reason\r\n'=HYPERLINK(1),-60.6,'+1abc\r\n-5,3,'@x\r\n"


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (None, ""),
        (float("nan"), ""),
        (float("inf"), ""),
        (0.0, "0"),
        (-0.0, "0"),
        (1e-12, "0"),
        (0.412345678, "0.41235"),
        (22449.297, "22449"),
        (1234567.8, "1234568"),
        (-60.6, "-60.6"),
        (3.0, "3"),
        (100.0, "100"),
    ],
)
def test_number(value: float | None, text: str) -> None:
    assert tables.number(value) == text


@given(st.floats(min_value=-1e7, max_value=1e7).filter(lambda v: abs(v) > 1e-4))
def test_number_keeps_four_digits(value: float) -> None:
    text = tables.number(value)
    assert "e" not in text
    assert float(text) == pytest.approx(value, rel=6e-5)


def test_read_back_and_refuse(tmp_path: Path, document: Any) -> None:
    path = tmp_path / "measurements.csv"
    path.write_text(tables.measurements(document), encoding="utf-8", newline="")
    assert len(tables.read(path)) == len(document["measurements"])
    with pytest.raises(InputError, match="other columns"):
        tables.read(path, tables.CHANGE_COLUMNS)
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(InputError, match="cannot be read"):
        tables.read(path)
