"""What a record may not say though its schema lets it: JSON Schema cannot hold one value against another."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any


def contradictions(document: Mapping[str, Any]) -> list[str]:
    """Every place (JSON Pointer, RFC 6901) where values of a record contradict each other, and how.

    ``document`` is valid against the schema; the list is empty for a record that mineralize wrote.
    """
    return [*_of_scans(document), *_of_measurements(document), *_of_changes(document)]


def _of_scans(document: Mapping[str, Any]) -> Iterator[str]:
    scans = document["scans"]
    if [s["scan"] for s in scans] != list(range(1, len(scans) + 1)):
        yield "/scans: expected scans numbered from 1 in time order"
    days = [s["day"] for s in scans]
    if days != sorted(days):
        yield "/scans: expected days in order"
    if document["reference_scan"] > len(scans):
        yield "/reference_scan: there is no such scan"


def _of_measurements(document: Mapping[str, Any]) -> Iterator[str]:
    days = {s["scan"]: s["day"] for s in document["scans"]}
    seen: set[tuple[int, str]] = set()
    for i, row in enumerate(document["measurements"]):
        at, key = f"/measurements/{i}", (row["scan"], row["quantity"])
        if days.get(row["scan"]) != row["day"]:
            yield f"{at}/day: not the day of its scan"
        if key in seen:
            yield f"{at}: a second row of the same quantity and scan"
        seen.add(key)
        if row["value"] is not None and not _ordered(row["low"], row["value"], row["high"]):
            yield f"{at}: the value lies outside its interval"


def _of_changes(document: Mapping[str, Any]) -> Iterator[str]:
    days = {s["scan"]: s["day"] for s in document["scans"]}
    for i, row in enumerate(document["changes"]):
        at, ends = f"/changes/{i}", (row["from_scan"], row["to_scan"])
        if not set(ends) <= set(days) or ends[0] >= ends[1]:
            yield f"{at}: expected two scans, the earlier first"
        elif days[ends[1]] - days[ends[0]] != row["days"]:
            yield f"{at}/days: not the days between its scans"
        if row["difference"] is None:
            continue
        if not _ordered(row["low"], row["difference"], row["high"]):
            yield f"{at}: the difference lies outside its interval"
        if row["real"] == "yes" and row["low"] <= 0 <= row["high"]:
            yield f"{at}: real, though its interval holds no change"


def _ordered(low: float, value: float, high: float) -> bool:
    """Whether low <= value <= high, but for the last digit that is written."""
    slack = 1e-6 * max(abs(low), abs(value), abs(high))
    return low - slack <= value <= high + slack
