"""``[[margin]]``, ``[[contour]]`` and ``[[mineral]]`` of ``case.toml``: what a reader corrected by hand in a scan."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, cast

import numpy as np

from ..base import CaseFileError, Floats, Scan
from .model import Contour, HandActs, MarginPoint, MineralPart
from .values import Point, Values
from .which import ScanRef, number_of

MOST_ACTS = 2000
"""Corrections of one kind that are taken; more would be a file that something wrote by mistake."""
MOST_POINTS = 5000
FLATNESS_MM = 0.5
"""A drawn curve may leave its plane by so much (root mean square): positions are written with rounded digits."""
LEAST_AREA_MM2 = 1.0
BEYOND_MM = 50.0
"""A margin may run beyond the edge of the scan, but not by more than this."""


@dataclass(frozen=True)
class GivenAct:
    """One act as written: where, when, whether it is to be carried; ``act`` is empty but for mineral."""

    where: str
    scan: ScanRef
    points: tuple[Point, ...]
    at: datetime.date | int | None
    carry: bool
    act: str = ""


@dataclass(frozen=True)
class GivenCorrections:
    """All three kinds, in the order of the file."""

    margin: tuple[GivenAct, ...] = ()
    contours: tuple[GivenAct, ...] = ()
    mineral: tuple[GivenAct, ...] = ()


def read_corrections(values: Values, table: Mapping[str, Any]) -> GivenCorrections:
    """All of them; faults are remembered in ``values``."""
    return GivenCorrections(
        _acts(values, table, "margin"), _acts(values, table, "contour"), _acts(values, table, "mineral")
    )


def _acts(values: Values, table: Mapping[str, Any], kind: str) -> tuple[GivenAct, ...]:
    given = values.items(table, kind)
    if len(given) > MOST_ACTS:
        values.fault(kind, f"more than {MOST_ACTS} corrections; remove those that are not meant")
        return ()
    return tuple(act for where, item in given if (act := _act(values, item, where, kind)) is not None)


def _act(values: Values, item: Mapping[str, Any], where: str, kind: str) -> GivenAct | None:
    place = "points" if kind == "contour" else "at"
    own = {"act"} if kind == "mineral" else set()
    values.known(item, where, {"scan", "series", place, "day", "carry"} | own)
    before = len(values.faults)
    scan = values.scan(item, where)
    if kind == "contour":
        points = _curve(values, item.get("points"), where)
    else:
        point = values.point(item.get("at"), f"{where}.at")
        points = () if point is None else (point,)
    carry = item.get("carry", False)
    if not isinstance(carry, bool):
        values.fault(f"{where}.carry", "expected true or false")
    act = item.get("act", "")
    if own and act not in ("add", "take"):
        values.fault(f"{where}.act", "expected add or take")
    at = _day(values, item["day"], f"{where}.day") if "day" in item else None
    if len(values.faults) > before or scan is None:
        return None
    return GivenAct(where, scan, points, at, carry, act)


def _day(values: Values, value: Any, where: str) -> datetime.date | int | None:
    """Day of the act: a date, or a whole number of days from day zero."""
    return values.at({"day": value} if isinstance(value, int) else {"date": value}, where.rpartition(".")[0])


def _curve(values: Values, value: Any, where: str) -> tuple[Point, ...]:
    """The points of a closed curve in one plane."""
    if not isinstance(value, list) or not 3 <= len(value) <= MOST_POINTS:
        values.fault(f"{where}.points", f"expected a list of 3 to {MOST_POINTS} points, LPS mm, in order")
        return ()
    points = []
    for number, one in enumerate(value, 1):
        point = values.point(one, f"{where}.points {number}")
        if point is None:
            return ()
        points.append(point)
    off, area = _shape(np.array(points))
    if area < LEAST_AREA_MM2:
        values.fault(f"{where}.points", "the curve encloses nothing; draw it around the lesion")
    elif off > FLATNESS_MM:
        values.fault(f"{where}.points", f"the points leave their plane by {off:.1f} mm; expected a curve in one plane")
    return tuple(points)


def _shape(points: Floats) -> tuple[float, float]:
    """How far (mm, root mean square) points lie off their plane, and the area (mm2) of the curve in it."""
    local = points - points.mean(axis=0)
    values, frame = np.linalg.eigh(local.T @ local / len(local))
    x, y = (local @ frame[:, 1:]).T
    area = 0.5 * abs(float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1))))
    return float(np.sqrt(max(values[0], 0.0))), area


def acts_of(given: GivenCorrections, scans: Sequence[Scan], zero: datetime.date | None) -> HandActs:
    """The corrections laid to their scans.

    Raises
    ------
    CaseFileError
        listing every one that names no scan or lies far outside it.
    """
    faults: list[str] = []

    def number(act: GivenAct) -> int | None:
        found = number_of(act.scan, scans, act.where, faults)
        if found is not None and not np.all(scans[found - 1].grid.contains(np.array(act.points), -BEYOND_MM)):
            faults.append(f"{act.where}: lies far outside scan {found}; expected LPS mm of that scan")
            return None
        return found

    def day(act: GivenAct) -> int | None:
        if isinstance(act.at, datetime.date):
            return (act.at - zero).days if zero is not None else None
        return act.at

    margin = [MarginPoint(n, a.points[0], day(a), a.carry) for a in given.margin if (n := number(a))]
    contours = [Contour(n, a.points, day(a), a.carry) for a in given.contours if (n := number(a))]
    mineral = [
        MineralPart(n, a.points[0], cast(Literal["add", "take"], a.act), day(a), a.carry)
        for a in given.mineral
        if (n := number(a))
    ]
    if faults:
        raise CaseFileError("case.toml: " + "; ".join(faults))
    return HandActs(tuple(margin), tuple(contours), tuple(mineral))
