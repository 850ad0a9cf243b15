"""Tables of measurements to a cohort: columns by name, missing values by the data dictionary beside the table.

A table is ``measurements.csv`` or ``measurements.parquet``, or a folder that holds one. What else is known of a case
comes, in this order, from columns of the table itself, from a second table (``--about``), and from ``history.json``
of the case where it lies beside the table.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from ..base import InputError, read_json
from . import words

LONGEST_NAME = 255
"""Bytes of a file name (NAME_MAX of Linux and of most file systems)."""
NEEDED = ("case", "scan", "day", "quantity", "value", "low", "high", "unit", "trust")
ABOUT = ("patient", "onset_within_days", "onset", "ended_by", "kvp", "slice_mm", "kernel")
"""What may be said of a case or a scan beyond its measurements."""

LARGEST_RECORD = 1 << 26
"""Bytes of a file beside a table; of a history with hundreds of scans."""

Row = dict[str, str]


def read_rows(paths: Iterable[Path], quantity: str) -> list[Row]:
    """Rows of one quantity from all tables, with what is known of their case and scan put in.

    A case name that an earlier table used already gets the table's number behind it.

    Raises
    ------
    InputError
        where a table cannot be read, lacks a column, or none holds the quantity.
    """
    found: list[Row] = []
    taken: set[str] = set()
    known: set[str] = set()
    for number, given in enumerate(paths, 1):
        path = table_in(given)
        rows = _rows(path, number)
        known |= {row["quantity"] for row in rows}
        beside = _Beside(path)
        for row in rows:
            if row["quantity"] == quantity:
                name = row["case"] if row["case"] not in taken else f"{row['case']} (table {number})"
                found.append(
                    {**beside.of(row["case"], row["scan"]), **{k: v for k, v in row.items() if v}, "case": name}
                )
        taken |= {row["case"] for row in rows}
    if not found:
        raise InputError(words.NOTHING.format(quantity=quantity, known=", ".join(sorted(known)) or "nothing"))
    return found


def table_in(path: Path) -> Path:
    """The table that a path names: itself, or the one in a folder."""
    if path.is_dir():
        for name in ("measurements.csv", "measurements.parquet"):
            if (path / name).is_file():
                return path / name
        raise InputError(words.NO_TABLE)
    return path


def read_about(path: Path) -> list[Row]:
    """Rows of a table of what is known of cases: ``case``, perhaps ``scan``, and any of :data:`ABOUT`."""
    rows = _csv(path, words.ABOUT_UNREADABLE)
    if not rows or "case" not in rows[0] or not set(rows[0]) & set(ABOUT):
        raise InputError(words.ABOUT_COLUMNS.format(columns=", ".join(ABOUT)))
    return rows


def with_about(rows: Iterable[Row], about: Iterable[Row]) -> list[Row]:
    """Rows with what a second table says of their case, or of one scan of it; empty cells say nothing.

    Raises
    ------
    InputError
        where it names cases that no table holds.
    """
    rows = list(rows)
    said: dict[tuple[str, str], Row] = {}
    for line in about:
        cells = {key: value for key, value in line.items() if key in ABOUT and value}
        said.setdefault((line["case"], line.get("scan") or ""), {}).update(cells)
    unknown = {case for case, _ in said} - {row["case"] for row in rows}
    if said and len(unknown) == len({case for case, _ in said}):
        raise InputError(words.ABOUT_STRANGERS)
    return [{**row, **said.get((row["case"], ""), {}), **said.get((row["case"], row["scan"]), {})} for row in rows]


def number_in(row: Mapping[str, str], column: str) -> float | None:
    """A cell as a number; ``None`` where it is empty.

    Raises
    ------
    InputError
        where it is neither.
    """
    text = row.get(column, "")
    if not text:
        return None
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise InputError(words.NO_NUMBER.format(column=column))
    return value


def _is_name(case: str) -> bool:
    """Whether a case can be a folder beside its table: a name, no way to elsewhere, no longer than systems allow."""
    return Path(case).name == case and "\0" not in case and len(case.encode("utf-8", "surrogatepass")) <= LONGEST_NAME


class _Beside:
    """What ``history.json`` beside a table says of a case: acquisition of its scans, onset, excision."""

    def __init__(self, table: Path) -> None:
        self._folder = table.parent
        self._held: dict[str, dict[str, Any] | None] = {}

    def of(self, case: str, scan: str) -> Row:
        try:
            return self._said(self._document(case), scan)
        except (AttributeError, KeyError, TypeError) as error:
            raise InputError(words.BESIDE) from error

    @staticmethod
    def _said(document: dict[str, Any] | None, scan: str) -> Row:
        if document is None:
            return {}
        said: Row = {} if document.get("day_zero") == "onset" else {"onset": "unknown"}
        days = [event["day"] for event in document.get("events", ()) if event.get("kind") == "excision"]
        if days:
            said |= {"ended_by": "excision", "excision_day": str(min(days))}
        for held in document.get("scans", ()):
            if str(held.get("scan")) == scan:
                taken = held.get("acquisition", {})
                said |= {
                    "kvp": str(taken.get("kvp") or ""),
                    "slice_mm": str(taken.get("slice_thickness_mm") or taken.get("slice_spacing_mm") or ""),
                    "kernel": "" if taken.get("kernel_class") == "unknown" else str(taken.get("kernel_class") or ""),
                }
        return {key: value for key, value in said.items() if value}

    def _document(self, case: str) -> dict[str, Any] | None:
        if case not in self._held:
            self._held[case] = None
            folders = [self._folder, *([self._folder / case] if _is_name(case) else [])]
            for path in (folder / "history.json" for folder in folders):
                document = _json(path) if path.is_file() else None
                if document is not None and (path.parent != self._folder or document.get("case") == case):
                    self._held[case] = document
        return self._held[case]


def _json(path: Path) -> dict[str, Any] | None:
    try:
        document = read_json(path, path.name, LARGEST_RECORD)
    except InputError:
        return None
    return document if isinstance(document, dict) else None


def _rows(path: Path, number: int) -> list[Row]:
    read = _parquet if path.suffix == ".parquet" else _csv
    rows = read(path, words.UNREADABLE.format(number=number))
    missing = [name for name in NEEDED if rows and name not in rows[0]]
    if missing:
        raise InputError(words.COLUMNS.format(number=number, missing=", ".join(missing)))
    empty = _missing_values(path)
    return [{key: "" if value in empty else value for key, value in row.items()} for row in rows]


def _missing_values(path: Path) -> set[str]:
    """What stands for a missing value, by the data dictionary beside the table (Frictionless Table Schema 2.0)."""
    found = {""}
    dictionary = _json(path.parent / "dictionary.json") or {}
    try:
        for resource in dictionary.get("resources", ()):
            if isinstance(resource, dict) and path.name in (resource.get("path"), Path(str(resource.get("path"))).name):
                values = resource.get("schema", {}).get("missingValues", ())
                found |= {value["value"] if isinstance(value, dict) else str(value) for value in values}
    except (AttributeError, KeyError, TypeError) as error:
        raise InputError(words.BESIDE) from error
    return found


def _csv(path: Path, sentence: str) -> list[Row]:
    try:
        with path.open(encoding="utf-8-sig", newline="") as handle:
            rows = list(csv.DictReader(handle, strict=True))
    except (OSError, ValueError, csv.Error) as error:
        raise InputError(sentence) from error
    if any(not isinstance(value, str) for row in rows for value in row.values()):
        raise InputError(sentence)  # a row with more or fewer cells than there are columns
    return rows


def _parquet(path: Path, sentence: str) -> list[Row]:
    try:
        from pyarrow import parquet
    except ImportError as error:
        raise InputError(words.NO_PARQUET) from error
    try:
        rows = parquet.read_table(path).to_pylist()
    except (OSError, ValueError) as error:
        raise InputError(sentence) from error
    return [{str(key): "" if value is None else str(value) for key, value in row.items()} for row in rows]
