"""The two tables: one row per measurement, one row per change (RFC 4180: CRLF, quotes where needed, UTF-8)."""

from __future__ import annotations

import csv
import io
import json
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from ..base import InputError, cell_text
from . import dictionary, texts

MEASUREMENT_COLUMNS = tuple(texts.CSV_MEASUREMENTS.split(","))
CHANGE_COLUMNS = tuple(texts.CSV_CHANGES.split(","))
LATER_COLUMNS = frozenset({"codes"})
"""Columns that tables written before the codes do not have."""
SIGNIFICANT = 5
"""Digits of a table's number: finer than any interval here, coarse enough to read."""


def number(value: float | None) -> str:
    """A number with five significant digits and no exponent; empty for ``None`` and what is not finite."""
    if value is None or not math.isfinite(value):
        return ""
    if value == 0:
        return "0"
    decimals = SIGNIFICANT - 1 - math.floor(math.log10(abs(value)))
    text = f"{value:.{min(max(decimals, 0), 9)}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text in ("-0", "") else text


def measurements(document: Mapping[str, Any], case: str | None = None) -> str:
    """``measurements.csv`` of a record; ``case`` replaces the record's own name of the case."""
    rows = (
        (
            case or document["case"],
            row["scan"],
            row["day"],
            row["quantity"],
            number(row["value"]),
            number(row["low"]),
            number(row["high"]),
            row["unit"],
            row["trust"],
            row["reason"],
            " ".join(row["codes"]),
        )
        for row in document["measurements"]
    )
    return text_of(MEASUREMENT_COLUMNS, rows)


def changes(document: Mapping[str, Any], case: str | None = None) -> str:
    """``changes.csv`` of a record."""
    rows = (
        (
            case or document["case"],
            row["from_scan"],
            row["to_scan"],
            row["days"],
            row["quantity"],
            *(number(row[name]) for name in ("difference", "percent", "low", "high", "per_30_days", "doubling_days")),
            row["real"],
            row["reason"],
            row["unit"],
            " ".join(row["codes"]),
        )
        for row in document["changes"]
    )
    return text_of(CHANGE_COLUMNS, rows)


def described() -> str:
    """``dictionary.json`` of one case: types, meanings and units of the columns of both tables."""
    columns = {"measurements.csv": MEASUREMENT_COLUMNS, "changes.csv": CHANGE_COLUMNS}
    return json.dumps(dictionary.package(columns, parquet=False), indent=1, ensure_ascii=False) + "\n"


def text_of(columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    """CSV text with a header line."""
    held = io.StringIO()
    writer = csv.writer(held)
    writer.writerow(columns)
    writer.writerows([_cell(value) for value in row] for row in rows)
    return held.getvalue()


def _cell(value: Any) -> Any:
    """Text that people typed cannot become a formula; a number that begins with a minus stays a number."""
    return value if not isinstance(value, str) or _NUMBER.fullmatch(value) else cell_text(value)


_NUMBER = re.compile(r"-?\d+(\.\d+)?")


def read(path: Path, columns: Sequence[str] = MEASUREMENT_COLUMNS) -> list[dict[str, str]]:
    """Rows of a table written by this module.

    Raises
    ------
    InputError
        where the file cannot be read or its columns are not those expected.
    """
    try:
        with path.open(encoding="utf-8-sig", newline="") as handle:
            reader = csv.DictReader(handle, strict=True)
            found = tuple(reader.fieldnames or ())
            rows = list(reader)
    except (OSError, ValueError, csv.Error) as error:
        raise InputError("a table cannot be read; give measurements.csv files written by mineralize") from error
    # columns that came later stand at the end; tables from before them are tables all the same
    if found != tuple(columns) and found != tuple(c for c in columns if c not in LATER_COLUMNS):
        raise InputError(f"a table has other columns than expected; expected {','.join(columns)}")
    return rows
