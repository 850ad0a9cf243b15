"""Safe access to single DICOM values: a value of the right kind, or nothing.

Hospital files hold empty, repeated, over-long and wrongly typed values. Every accessor here gives ``None`` (or an
empty value) for those; the rules then say in words what is missing. Nothing here raises on file content.
"""

from __future__ import annotations

import logging
import math
import threading
import warnings
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from typing import Any, Protocol

from pydicom import config
from pydicom.dataset import Dataset
from pydicom.multival import MultiValue

_MANY = (MultiValue, list, tuple)
LARGEST_NUMBER = 1e9
"""Numbers beyond this are damage, not measurements."""
UNIT_OFF, SQUARE_OFF = 0.01, 1e-3
"""How far the square of a direction may be from one, and the product of two from none: digits that writers leave."""


class Values(Protocol):
    """A dataset of the library, or the fast reader's elements: both give values by keyword."""

    def get(self, keyword: str, /) -> Any: ...

    def __contains__(self, keyword: Any, /) -> bool: ...


class _Quiet:
    """Process-wide settings of the libraries, changed by the first who asks and put back by the last."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._users = 0
        self._undo = ExitStack()

    def enter(self) -> None:
        with self._lock:
            self._users += 1
            if self._users > 1:
                return
            self._undo.enter_context(warnings.catch_warnings())
            warnings.simplefilter("ignore")
            logger = logging.getLogger("pydicom")
            self._undo.callback(logger.setLevel, logger.level)
            logger.setLevel(logging.CRITICAL + 1)
            mode = config.settings.reading_validation_mode
            self._undo.callback(setattr, config.settings, "reading_validation_mode", mode)
            config.settings.reading_validation_mode = config.IGNORE

    def leave(self) -> None:
        with self._lock:
            self._users -= 1
            if self._users == 0:
                self._undo.close()


_QUIET = _Quiet()


@contextmanager
def quiet() -> Iterator[None]:
    """No warning or log line of the DICOM library leaves: they quote values of the file.

    Also lets odd values through to our own checks instead of raising half-way. Safe in several threads.
    """
    _QUIET.enter()
    try:
        yield
    finally:
        _QUIET.leave()


def raw(ds: Values, keyword: str) -> Any:
    """The value as the library gives it; ``None`` when absent, empty or unreadable."""
    try:
        value = ds.get(keyword)
    except Exception:
        return None
    if value is None or (isinstance(value, str | bytes) and not value):
        return None
    return value


def text(ds: Values, keyword: str) -> str:
    """The first value as stripped text, ``""`` when there is none."""
    value = raw(ds, keyword)
    if value is None:
        return ""
    try:
        if isinstance(value, _MANY):
            value = value[0] if len(value) else ""
        if isinstance(value, bytes):
            value = value.decode("latin-1")
        return str(value).strip().strip("\0").strip()
    except Exception:
        return ""


def texts(ds: Values, keyword: str) -> tuple[str, ...]:
    """All values as stripped upper-case text."""
    value = raw(ds, keyword)
    if value is None:
        return ()
    try:
        many = value if isinstance(value, _MANY) else [value]
        return tuple(str(v).strip().strip("\0").upper() for v in many)
    except Exception:
        return ()


def numbers(ds: Values, keyword: str) -> tuple[float, ...]:
    """All values as finite floats; ``()`` as soon as one of them is not."""
    value = raw(ds, keyword)
    if value is None or isinstance(value, bytes | Dataset):
        return ()
    try:
        if isinstance(value, str):
            value = value.split("\\")
        many = value if isinstance(value, _MANY) else [value]
        found = tuple(float(v) for v in many)
    except Exception:
        return ()
    if all(math.isfinite(v) and abs(v) <= LARGEST_NUMBER for v in found):
        return found
    return ()


def number(ds: Values, keyword: str) -> float | None:
    """The first value as a finite float."""
    found = numbers(ds, keyword)
    return found[0] if found else None


def integer(ds: Values, keyword: str) -> int | None:
    """The first value as a whole number."""
    found = number(ds, keyword)
    return int(found) if found is not None and float(found).is_integer() else None


def triple(ds: Values, keyword: str) -> tuple[float, float, float] | None:
    """Exactly three finite numbers."""
    found = numbers(ds, keyword)
    return (found[0], found[1], found[2]) if len(found) == 3 else None


def items(ds: Values, keyword: str) -> list[Dataset]:
    """The items of a sequence, ``[]`` when it is absent or not a sequence."""
    value = raw(ds, keyword)
    if isinstance(value, Dataset):
        return [value]
    try:
        return [item for item in value if isinstance(item, Dataset)] if value is not None else []
    except Exception:
        return []


def unit_pair(values: tuple[float, ...]) -> tuple[float, ...] | None:
    """Six direction cosines, row then column, if they are unit vectors at right angles (PS3.3 C.7.6.2.1.1)."""
    if len(values) != 6:
        return None
    r, c = values[:3], values[3:]
    lengths = [sum(v * v for v in u) for u in (r, c)]
    across = sum(a * b for a, b in zip(r, c, strict=True))
    if any(abs(length - 1) > UNIT_OFF for length in lengths) or abs(across) > SQUARE_OFF:
        return None
    return values


def spacing_pair(values: tuple[float, ...]) -> tuple[float, float] | None:
    """Pixel Spacing: row spacing, column spacing; both positive and of a size that CT can have."""
    if len(values) == 2 and all(0.001 <= v <= 100 for v in values):
        return values[0], values[1]
    return None
