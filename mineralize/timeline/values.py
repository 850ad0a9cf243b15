"""Single values of ``case.toml``: each either read or remembered as a fault with its place, never quoted."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from typing import Any

from ..base import unknown_key
from .which import ScanRef, is_tag

Point = tuple[float, float, float]

MOST_ITEMS = 200
"""Tables of one kind in a case: events and others. More is no history of one lesion, and takes minutes to draw."""
MOST_BIOPSIES = 24
"""Each is looked for in every picture."""
MOST_DAYS = 40_000
"""Days between a scan and anything else of a history: a life is shorter."""


class Values:
    """Collects faults while values are read."""

    def __init__(self) -> None:
        self.faults: list[str] = []

    def fault(self, where: str, text: str) -> None:
        self.faults.append(f"{where}: {text}")

    def known(self, table: Mapping[str, Any], where: str, names: set[str]) -> None:
        for place, name in enumerate(table, 1):
            if name not in names:
                self.fault(where, unknown_key(name, place, sorted(names)))

    def items(
        self, table: Mapping[str, Any], name: str, label: str = "", most: int = MOST_ITEMS
    ) -> list[tuple[str, Mapping[str, Any]]]:
        label = label or name
        value = table.get(name, [])
        if isinstance(value, list) and len(value) > most:
            self.fault(label, f"expected at most {most} of them")
            return []
        if not isinstance(value, list):
            self.fault(label, f"expected [[{label}]], a list of tables")
            return []
        good = []
        for number, item in enumerate(value, 1):
            if isinstance(item, Mapping):
                good.append((f"{label} {number}", item))
            else:
                self.fault(f"{label} {number}", "expected a table")
        return good

    def at(self, item: Mapping[str, Any], where: str) -> datetime.date | int | None:
        if "date" in item and "day" in item:
            self.fault(where, "expected date or day, not both")
        if "date" in item:
            return self.date(item["date"], f"{where}.date")
        if "day" in item:
            day = item["day"]
            if isinstance(day, int) and not isinstance(day, bool) and abs(day) <= MOST_DAYS:
                return day
            self.fault(f"{where}.day", "expected a whole number of days")
        return None

    def date(self, value: Any, where: str) -> datetime.date | None:
        if isinstance(value, datetime.datetime):
            return value.date()
        if isinstance(value, datetime.date):
            return value
        if isinstance(value, str):
            try:
                return datetime.date.fromisoformat(value)
            except ValueError:
                pass
        self.fault(where, "expected a date such as 2024-03-02")
        return None

    def scan(self, item: Mapping[str, Any], where: str, value: Any = None) -> ScanRef | None:
        """The scan that an entry means by its ``series``, else by its ``scan``, else ``value``."""
        tag = item.get("series")
        if is_tag(tag):
            return tag
        if tag is not None:
            self.fault(f"{where}.series", "expected twelve digits 0 to 9 and a to f, as the review page writes them")
            return None
        value, where = item.get("scan", value), f"{where}.scan"
        if isinstance(value, int) and not isinstance(value, bool):
            return self.count(value, where)
        if isinstance(value, datetime.date | str):
            return self.date(value, where)
        self.fault(where, "expected the number of a scan in time order, from 1, or its date")
        return None

    def count(self, value: Any, where: str) -> int | None:
        if isinstance(value, int) and not isinstance(value, bool) and 1 <= value < 10**6:
            return value
        self.fault(where, "expected a whole number from 1")
        return None

    def point(self, value: Any, where: str) -> Point | None:
        if (
            isinstance(value, list)
            and len(value) == 3
            and all(isinstance(v, int | float) and not isinstance(v, bool) for v in value)
            and all(abs(v) < 1e5 for v in value)  # false for what is no number, and for whole numbers of any length
        ):
            return float(value[0]), float(value[1]), float(value[2])
        self.fault(where, "expected three numbers, LPS mm")
        return None

    def number(self, value: Any, where: str, low: float, high: float, unit: str = "") -> float | None:
        if isinstance(value, int | float) and not isinstance(value, bool) and low <= value <= high:
            return float(value)
        self.fault(where, f"expected a number from {low:g} to {high:g}{' ' + unit if unit else ''}")
        return None
