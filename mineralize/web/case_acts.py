"""Acts on ``case.toml``: each adds, changes or takes away one thing and leaves all else as a person wrote it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import tomlkit
from tomlkit import TOMLDocument
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Array, Table

from ..base import CaseFileError, InputError

MOST_POINTS = 2000
"""Points of one drawn curve."""
KINDS = ("injury", "biopsy", "excision", "treatment", "other")


def done(text: str, act: Mapping[str, Any]) -> str:
    """The text of the file with one act done, ``{"do": name, ...}`` with a name of :data:`ACTS`.

    Raises
    ------
    CaseFileError
        where the text is not TOML.
    InputError
        when the act is unknown or malformed.
    """
    try:
        document = tomlkit.parse(text)
    except TOMLKitError as error:
        raise CaseFileError("case.toml is not valid TOML; correct it by hand first") from error
    name = act.get("do")
    if not isinstance(name, str) or name not in ACTS:
        raise InputError("this act is not known")
    ACTS[name](document, act)
    return tomlkit.dumps(document)


def _point_at(document: TOMLDocument, act: Mapping[str, Any]) -> None:
    """The point in the lesion; points of other scans stay as further ones."""
    lesion = document.get("lesion")
    if not isinstance(lesion, Table):
        lesion = tomlkit.table()
        document["lesion"] = lesion
    for name in ("drawn", "tag", "outline"):
        lesion.pop(name, None)
    _mark_scan(lesion, act)
    lesion["seed"] = _numbers(_place(act, "at"))


def _use_drawn(document: TOMLDocument, act: Mapping[str, Any]) -> None:
    """Take a region that was drawn elsewhere, as the outline or as the place only."""
    number = act.get("number")
    if not isinstance(number, int) or isinstance(number, bool) or number < 1:
        raise InputError("expected the number of a drawn region")
    table = tomlkit.table()
    table["drawn"] = number
    if act.get("tag"):
        table["tag"] = act["tag"]
    table["outline"] = act.get("outline") is True
    document["lesion"] = table


def _margin(document: TOMLDocument, act: Mapping[str, Any]) -> None:
    item = _item(act)
    item["at"] = _numbers(_place(act, "at"))
    _append(document, "margin", _dated(item, act))


def _contour(document: TOMLDocument, act: Mapping[str, Any]) -> None:
    points = act.get("points")
    if not isinstance(points, Sequence) or isinstance(points, str) or not 3 <= len(points) <= MOST_POINTS:
        raise InputError(f"a contour needs 3 to {MOST_POINTS} points")
    rows = tomlkit.array()
    for point in points:
        rows.append(_numbers(_triple(point)))
    item = _item(act)
    item["points"] = rows.multiline(True)
    _append(document, "contour", _dated(item, act))


def _mineral(document: TOMLDocument, act: Mapping[str, Any]) -> None:
    if act.get("act") not in ("add", "take"):
        raise InputError("expected add or take")
    item = _item(act)
    item["at"] = _numbers(_place(act, "at"))
    item["act"] = act["act"]
    item["day"] = _today(act)
    _append(document, "mineral", item)


def _biopsy(document: TOMLDocument, act: Mapping[str, Any]) -> None:
    item = _item(act)
    if act.get("entry") is None:
        item["point"] = _numbers(_place(act, "target"))
    else:
        item["entry"] = _numbers(_place(act, "entry"))
        item["target"] = _numbers(_place(act, "target"))
    if act.get("day") is not None:
        item["day"] = _whole(act["day"], "day")
    _append(document, "biopsy", item)


def _event(document: TOMLDocument, act: Mapping[str, Any]) -> None:
    if act.get("kind") not in KINDS:
        raise InputError(f"expected one of {', '.join(KINDS)}")
    item = tomlkit.table()
    item["day"] = _whole(act.get("day"), "day")
    item["kind"] = act["kind"]
    text = act.get("text", "")
    if not isinstance(text, str) or len(text) > 200:
        raise InputError("expected a short text")
    if text.strip():
        item["text"] = text.strip()
    _append(document, "event", item)


def _alias(document: TOMLDocument, act: Mapping[str, Any]) -> None:
    alias = act.get("alias")
    if not isinstance(alias, str) or not alias.strip() or len(alias) > 64 or not alias.isprintable():
        raise InputError("expected a short name of printable characters; a pseudonym, not a person's name")
    document["alias"] = alias.strip()


def _remove(document: TOMLDocument, act: Mapping[str, Any]) -> None:
    """Take away one table of a list by its place in the file, from 1."""
    what, number = act.get("what"), act.get("number")
    if what not in ("margin", "contour", "mineral", "biopsy", "event"):
        raise InputError("this cannot be removed")
    held = document.get(str(what))
    if not isinstance(held, AoT) or not isinstance(number, int) or not 1 <= number <= len(held):
        raise InputError("it is not there any more")
    del held[number - 1]
    if not len(held):
        del document[str(what)]


ACTS: Mapping[str, Callable[[TOMLDocument, Mapping[str, Any]], None]] = {
    "point": _point_at,
    "drawn": _use_drawn,
    "margin": _margin,
    "contour": _contour,
    "mineral": _mineral,
    "biopsy": _biopsy,
    "event": _event,
    "alias": _alias,
    "remove": _remove,
}
"""Acts by name; each changes the document in place or raises InputError."""


def _append(document: TOMLDocument, name: str, item: Table) -> None:
    held = document.get(name)
    if held is None:
        held = tomlkit.aot()
        document[name] = held
    if not isinstance(held, AoT):
        raise InputError(f"{name} in case.toml is not a list of tables; correct it by hand first")
    held.append(item)


def _item(act: Mapping[str, Any]) -> Table:
    item = tomlkit.table()
    _mark_scan(item, act)
    return item


def _dated(item: Table, act: Mapping[str, Any]) -> Table:
    item["day"] = _today(act)
    item["carry"] = act.get("carry") is True
    return item


def _today(act: Mapping[str, Any]) -> Any:
    value = act.get("today")
    try:
        return tomlkit.date(str(value))
    except ValueError:
        raise InputError("expected the day of the act such as 2024-03-02") from None


def _mark_scan(item: Table, act: Mapping[str, Any]) -> None:
    """Write which scan was marked: its number and, where the server knows it, the tag of its series."""
    number = act.get("scan")
    if not isinstance(number, int) or isinstance(number, bool) or not 1 <= number <= 10_000:
        raise InputError("expected the number of a scan, from 1")
    item["scan"] = number
    item.pop("series", None)
    if act.get("series"):
        item["series"] = str(act["series"])


def _whole(value: Any, name: str) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or abs(value) >= 40_000:
        raise InputError(f"{name}: expected a whole number of days from day zero")
    return value


def _place(act: Mapping[str, Any], name: str) -> tuple[float, float, float]:
    return _triple(act.get(name))


def _triple(value: Any) -> tuple[float, float, float]:
    if isinstance(value, Sequence) and not isinstance(value, str) and len(value) == 3:
        good = all(isinstance(v, int | float) and not isinstance(v, bool) for v in value)
        if good and all(math.isfinite(v) and abs(v) < 1e5 for v in value):
            x, y, z = (round(float(v), 2) + 0.0 for v in value)
            return x, y, z
    raise InputError("expected a place: three numbers, LPS millimetres")


def _numbers(values: Sequence[float]) -> Array:
    held = tomlkit.array()
    held.extend(values)
    return held
