"""Rows of a table to a :class:`Cohort`, and a sentence for all that is left out."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from ..base import UNITS, InputError
from . import words
from .table import Row, number_in, read_about, read_rows, with_about
from .visits import Cohort, Lesion, Visit

RISING_UNITS = ("mg", "mm3", "mm2", "mm")
"""Units of quantities that rise from nothing to a plateau, and for which the logarithm has a meaning."""


def read_cohort(
    paths: Iterable[Path], quantity: str, about: Path | None = None, onset_within_days: float = 0.0
) -> Cohort:
    """The cohort of one quantity in some tables.

    ``about`` names a table of what else is known of cases; ``onset_within_days`` is half the span of day zero where
    nothing else is said of it.

    Raises
    ------
    InputError
        in one sentence, where a table cannot be used.
    """
    rows = read_rows(paths, quantity)
    if about is not None:
        rows = with_about(rows, read_about(about))
    units = sorted({row.get("unit", "") for row in rows})
    if len(units) != 1:
        raise InputError(words.UNITS.format(quantity=quantity, units=_units_named(units)))
    if units[0] not in RISING_UNITS:
        raise InputError(words.NO_RISE.format(quantity=quantity, units=", ".join(RISING_UNITS)))
    left_out: Counter[str] = Counter()
    by_case: dict[str, list[Row]] = {}
    for row in rows:
        by_case.setdefault(row["case"], []).append(row)
    lesions = []
    for case, held in by_case.items():
        lesion = _lesion(case, held, onset_within_days, left_out)
        if lesion is not None:
            lesions.append(lesion)
    notes = tuple(sentence.format(n=left_out[sentence]) for sentence in words.LEFT_OUT if left_out[sentence])
    return Cohort(quantity, units[0], tuple(lesions), notes)


def _units_named(units: Sequence[str]) -> str:
    """Units as they may be said: what no quantity of ours has is not quoted, as it may be anything."""
    known = {*UNITS.values(), ""}
    said = [unit or "none" for unit in units if unit in known]
    return ", ".join(said + ["another"] * (len(said) < len(units)))


def _lesion(case: str, rows: Sequence[Row], onset_within_days: float, left_out: Counter[str]) -> Lesion | None:
    if any(row.get("onset") == "unknown" for row in rows):
        left_out[words.NO_ONSET] += 1
        return None
    visits = []
    for row in rows:
        visit = _visit(row, left_out)
        if visit is not None:
            visits.append(visit)
    if not visits:
        left_out[words.NO_VALUE] += 1
        return None
    spans = [number_in(row, "onset_within_days") for row in rows if row.get("onset_within_days")]
    span = max((s for s in spans if s is not None), default=onset_within_days)
    if span < 0:
        raise InputError(words.NO_NUMBER.format(column="onset_within_days"))
    patient = next((row["patient"] for row in rows if row.get("patient")), case)
    excised = any(row.get("ended_by", "").strip().lower() == "excision" for row in rows)
    return Lesion(case, patient, tuple(sorted(visits, key=lambda v: (v.day, v.scan))), span, excised)


def _visit(row: Mapping[str, str], left_out: Counter[str]) -> Visit | None:
    value = number_in(row, "value")
    day, scan = number_in(row, "day"), number_in(row, "scan")
    if value is None or row.get("trust") == "withheld":
        left_out[words.WITHHELD] += 1
        return None
    if day is None or scan is None:
        raise InputError(words.NO_NUMBER.format(column="day" if day is None else "scan"))
    excision = number_in(row, "excision_day")
    if excision is not None and day > excision:
        left_out[words.AFTER_EXCISION] += 1
        return None
    return Visit(
        int(scan),
        day,
        value,
        number_in(row, "low"),
        number_in(row, "high"),
        row.get("trust", "ok"),
        number_in(row, "kvp"),
        number_in(row, "slice_mm"),
        row.get("kernel", ""),
    )
