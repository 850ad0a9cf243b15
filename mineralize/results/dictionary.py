"""The dictionary of the tables: a Data Package descriptor (https://datapackage.org, version 2).

It says of every column its type, its meaning, its unit and what stands for a missing value, and of every quantity its
UCUM unit (https://ucum.org), its definition and where that comes from.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from .. import __version__
from ..base import QUANTITIES, UNITS, family_of, title_of
from . import texts

PROFILE: Final = "https://datapackage.org/profiles/2.0"
UCUM: Final = {"HU": "[hnsf'U]"}
"""Codes of units that tables write in the customary way; the others are UCUM as they stand."""
COLUMNS: Final[dict[str, tuple[str, str, str]]] = {
    "case": (
        "string",
        "The case, by its alias, a neutral number or a pseudonym; text even where it looks like a number.",
        "",
    ),
    "scan": ("integer", "Number of the scan in time order, from 1.", ""),
    "from_scan": ("integer", "Number of the earlier scan.", ""),
    "to_scan": ("integer", "Number of the later scan.", ""),
    "day": ("integer", "Day of the scan, counted from day zero of the case.", "d"),
    "days": ("integer", "Days from the earlier scan to the later one.", "d"),
    "quantity": ("string", "What was measured; see quantities.", ""),
    "value": ("number", "The value, in the unit of its row; missing where it is withheld.", ""),
    "low": ("number", "Lower end of the 95 % interval, in the unit of its row.", ""),
    "high": ("number", "Upper end of the 95 % interval, in the unit of its row.", ""),
    "unit": ("string", "Unit of the row.", ""),
    "trust": ("string", "Whether the value can be relied on.", ""),
    "reason": ("string", "Why it is cautioned or withheld, in plain words.", ""),
    "codes": ("string", "Codes of the reasons, separated by blanks.", ""),
    "difference": ("number", "Later value minus earlier value, in the unit of its row.", ""),
    "percent": ("number", "The difference in percent of the earlier value.", "%"),
    "per_30_days": ("number", "The difference per 30 days, in the unit of its row.", ""),
    "doubling_days": ("number", "Days in which the value doubles at this pace; negative: halves.", "d"),
    "real": ("string", "Whether the change is beyond what measurement alone can make.", ""),
    "day_zero": ("string", "What day zero is: the onset, or the first scan.", ""),
    "halving_days": ("number", "Days in which the value halves at this pace.", "d"),
    "position": ("integer", "Place of the case among those of its run, from 1; missing where it is gone.", ""),
    "exit_code": ("integer", "As of the command for one case; missing until it is measured.", ""),
    "scans": ("integer", "Scans of the case.", ""),
    "withheld": ("integer", "Values that are withheld.", ""),
    "cautions": ("integer", "Values that stand with caution.", ""),
    "message": ("string", "Why the case could not be measured.", ""),
    "state": ("string", "Where the case stands.", ""),
}
"""Column: type, meaning, UCUM unit where the whole column has one."""
ENUMS: Final[dict[str, list[str]]] = {
    "trust": ["ok", "caution", "withheld"],
    "real": ["yes", "no", "unsure"],
    "state": ["waiting", "running", "arriving", "done", "needs an answer", "refused", "failed", "set aside", "gone"],
}
KEYS: Final[dict[str, list[str]]] = {
    "measurements": ["case", "scan", "quantity"],
    "changes": ["case", "from_scan", "to_scan", "quantity"],
    "cases": ["case"],
}
TITLES: Final = {
    "measurements": "Every quantity of every scan of every case",
    "changes": "Every change between two scans of a case",
    "cases": "How each case went",
}


def type_of(column: str) -> str:
    """``string``, ``integer`` or ``number``."""
    return COLUMNS.get(column, ("string", "", ""))[0]


def package(columns: Mapping[str, Sequence[str]], *, parquet: bool) -> dict[str, Any]:
    """The descriptor of the tables with these file names and columns: those of one case, or with one of cases of many.

    Readers that guess take ``yes`` for a boolean and an alias such as ``0017`` for a number; this keeps them from it.
    """
    many = any(Path(name).stem == "cases" for name in columns)
    resources = [_resource(name, held, many) for name, held in columns.items()]
    if parquet:
        resources += [_twin(resource) for resource in resources]
    return {
        "$schema": f"{PROFILE}/datapackage.json",
        "name": "mineralize-batch" if many else "mineralize-case",
        "title": f"Measured imaging {'histories of many cases' if many else 'history of one case'}",
        "description": texts.NOT_A_DEVICE,
        "version": __version__,
        "resources": resources,
        "quantities": [_quantity(name) for name in sorted(UNITS)],
    }


def _resource(path: str, columns: Sequence[str], many: bool) -> dict[str, Any]:
    name = Path(path).stem
    schema: dict[str, Any] = {
        "fields": [_field(column, name) for column in columns],
        "missingValues": [""],
        "primaryKey": KEYS[name],
    }
    if many and name != "cases":
        schema["foreignKeys"] = [{"fields": ["case"], "reference": {"resource": "cases", "fields": ["case"]}}]
    return {
        "$schema": f"{PROFILE}/dataresource.json",
        "name": name,
        "type": "table",
        "path": path,
        "title": TITLES[name],
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "dialect": {"lineTerminator": "\r\n", "quoteChar": '"', "doubleQuote": True, "delimiter": ","},
        "schema": schema,
    }


def _twin(resource: Mapping[str, Any]) -> dict[str, Any]:
    """The same table as Parquet, for who wants the types without reading this."""
    held = {key: value for key, value in resource.items() if key not in ("dialect", "encoding")}
    return held | {
        "name": f"{resource['name']}-parquet",
        "path": str(Path(resource["path"]).with_suffix(".parquet")),
        "format": "parquet",
        "mediatype": "application/vnd.apache.parquet",
    }


def _field(column: str, table: str) -> dict[str, Any]:
    kind, meaning, unit = COLUMNS.get(column, ("string", "", ""))
    held: dict[str, Any] = {"name": column, "type": kind, "description": meaning}
    if unit:
        held["unit"] = unit
    constraints: dict[str, Any] = {}
    if column in KEYS[table]:
        constraints["required"] = True
    if column in ENUMS:
        constraints["enum"] = ENUMS[column]
    if constraints:
        held["constraints"] = constraints
    return held


def _quantity(name: str) -> dict[str, Any]:
    unit = UNITS[name]
    return {
        "name": name,
        "title": title_of(name),
        "unit": unit,
        "ucum": UCUM.get(unit, unit),
        "definition": QUANTITIES[family_of(name)[0]].meaning,
        "source": f"defined by mineralize {__version__}; smallest change that counts: {_source(name)}",
        "missing": "empty where withheld; the reason says why",
    }


def _source(name: str) -> str:
    found = QUANTITIES.get(name)
    return found.limit.source if found is not None else "as of the quantity it is a variant of"
