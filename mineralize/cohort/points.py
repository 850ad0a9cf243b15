"""Curves of one quantity over many cases, from their tables."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from ..base import InputError
from ..change import Curve, CurvePoint
from ..results import tables, texts


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
    known: set[str] = set()
    for number, path in enumerate(paths, 1):
        taken = set(points)
        for row in tables.read(path):
            known.add(row["quantity"])
            if row["quantity"] != quantity:
                continue
            name = row["case"] if row["case"] not in taken else f"{row['case']} (table {number})"
            units[name] = row["unit"]
            points.setdefault(name, []).append(_point(row))
    if not points:
        raise InputError(texts.CURVE_NOTHING.format(quantity=quantity, known=", ".join(sorted(known)) or "nothing"))
    return {
        name: Curve(quantity, units[name], tuple(sorted(found, key=lambda p: p.day)), "")
        for name, found in points.items()
    }


def _point(row: dict[str, str]) -> CurvePoint:
    try:
        value, low, high = (float(row[k]) if row[k] else None for k in ("value", "low", "high"))
        return CurvePoint(int(row["scan"]), int(row["day"]), value, low, high, row["trust"])
    except ValueError as error:
        raise InputError("a table holds a cell that is no number; give measurements.csv files as written") from error


def table(curves: dict[str, Curve]) -> str:
    """The curves as CSV text: ``case,scan,day,value,low,high,unit,trust``."""
    rows = (
        (name, p.scan, p.day, *(tables.number(v) for v in (p.value, p.low, p.high)), curve.unit, p.trust)
        for name, curve in curves.items()
        for p in curve.points
    )
    return tables.text_of(("case", "scan", "day", "value", "low", "high", "unit", "trust"), rows)
