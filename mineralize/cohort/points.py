"""Curves of one quantity over many cases, from their tables."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from ..base import InputError
from ..change import Curve, CurvePoint
from ..results import tables
from . import words
from .table import Row, number_in, read_rows


def read_curves(paths: Iterable[Path], quantity: str) -> dict[str, Curve]:
    """One curve per case, days in order, from ``measurements.csv`` files.

    Two files that use the same name for a case are told apart by the file's number.

    Raises
    ------
    InputError
        where a table cannot be read, holds a bad number, or none knows the quantity.
    """
    points: dict[str, list[CurvePoint]] = {}
    units: dict[str, str] = {}
    for row in read_rows(paths, quantity):
        units[row["case"]] = row.get("unit", "")
        points.setdefault(row["case"], []).append(_point(row))
    return {
        name: Curve(quantity, units[name], tuple(sorted(found, key=lambda p: p.day)), "")
        for name, found in points.items()
    }


def _point(row: Row) -> CurvePoint:
    scan, day = number_in(row, "scan"), number_in(row, "day")
    if scan is None or day is None:
        raise InputError(words.NO_NUMBER.format(column="scan" if scan is None else "day"))
    value, low, high = (number_in(row, name) for name in ("value", "low", "high"))
    return CurvePoint(int(scan), int(day), value, low, high, row.get("trust", ""))


def table(curves: dict[str, Curve]) -> str:
    """The curves as CSV text: ``case,scan,day,value,low,high,unit,trust``."""
    rows = (
        (name, p.scan, p.day, *(tables.number(v) for v in (p.value, p.low, p.high)), curve.unit, p.trust)
        for name, curve in curves.items()
        for p in curve.points
    )
    return tables.text_of(("case", "scan", "day", "value", "low", "high", "unit", "trust"), rows)
