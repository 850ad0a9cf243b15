"""The data dictionary of the tables: what each column holds, of which type, in which unit, so that no reader guesses.

The form is that of the W3C recommendation *Metadata Vocabulary for Tabular Data* (CSV on the Web, 2015). Guessing
readers take ``yes``/``no`` for booleans, an alias such as ``0017`` for a number, and an empty column for whatever they
like: :func:`columns` says what is what.
"""

from __future__ import annotations

import json
from typing import Any, Literal

from ..base import UNITS
from . import texts

Type = Literal["string", "integer", "double"]
REAL = ("yes", "no", "unsure")
TRUST = ("ok", "caution", "withheld")

_COLUMNS: dict[str, tuple[Type, str]] = {
    "case": ("string", "How the case is called: an alias or pseudonym, never a number even where it looks like one"),
    "scan": ("integer", "Number of the scan in time order, from 1"),
    "day": ("integer", "Whole days from day zero (history.json: day_zero)"),
    "quantity": ("string", "What was measured; a number at the end is a threshold in HU at 120 kVp"),
    "value": ("double", "The value, in the unit of the row; empty where it is withheld"),
    "low": ("double", "Lower end of the 95 % interval: of the value, or of the difference"),
    "high": ("double", "Upper end of the 95 % interval: of the value, or of the difference"),
    "unit": ("string", "Unit of the row: mm, mm2, mm3, mg, HU, or 1 for shares and ratios"),
    "trust": ("string", "ok, caution or withheld"),
    "reason": ("string", "Why it is not ok, in plain words; empty where it is"),
    "codes": ("string", "Codes of the verdicts behind the reason, separated by blanks"),
    "from_scan": ("integer", "Number of the earlier scan"),
    "to_scan": ("integer", "Number of the later scan"),
    "days": ("integer", "Days between the two scans"),
    "difference": ("double", "Later minus earlier, in the unit of the row; empty where one of them is withheld"),
    "percent": ("double", "Difference in percent of the earlier value; empty where percent has no meaning"),
    "per_30_days": ("double", "Difference per 30 days, in the unit of the row"),
    "doubling_days": ("double", "Days in which it would double at this rate; negative: in which it would halve"),
    "real": ("string", "yes, no or unsure: whether the change is more than measurement error; no boolean"),
}


def columns(names: tuple[str, ...]) -> dict[str, Type]:
    """The type of each of these columns; what a table of ours does not have is text."""
    return {name: _COLUMNS[name][0] if name in _COLUMNS else "string" for name in names}


def describe(url: str, names: tuple[str, ...]) -> dict[str, Any]:
    """One table as CSV on the Web describes it."""
    described = []
    for name, kind in columns(names).items():
        datatype: Any = kind
        if name in ("real", "trust"):
            datatype = {"base": "string", "format": "|".join(REAL if name == "real" else TRUST)}
        words = _COLUMNS.get(name, ("string", ""))[1]
        described.append({"name": name, "titles": name, "datatype": datatype, "dc:description": words, "null": ""})
    return {"url": url, "tableSchema": {"columns": described}}


def dictionary(*more: tuple[str, tuple[str, ...]]) -> str:
    """``dictionary.json`` as text: both tables, then ``more`` (name of a file, its columns), and all quantities."""
    tables = (
        ("measurements.csv", tuple(texts.CSV_MEASUREMENTS.split(","))),
        ("changes.csv", tuple(texts.CSV_CHANGES.split(","))),
        *more,
    )
    document = {
        "@context": "http://www.w3.org/ns/csvw",
        "dialect": {"encoding": "utf-8", "delimiter": ",", "lineTerminators": ["\r\n"], "header": True},
        "tables": [describe(url, names) for url, names in tables],
        "mineralize:quantities": [
            {
                "name": name,
                "unit": unit,
                "title": texts.quantity_title(name),
                "meaning": texts.quantity_meaning(name),
            }
            for name, unit in UNITS.items()
        ],
    }
    return json.dumps(document, indent=1, ensure_ascii=False) + "\n"
