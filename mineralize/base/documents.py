"""TOML and JSON that people hand over, read within limits: size, depth, encoding, and plain files only."""

from __future__ import annotations

import json
import os
import stat
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from .errors import InputError

LARGEST_BYTES = 1 << 20
"""A megabyte: thousands of times what a person writes into a form or a case file."""
DEEPEST = 16
"""Levels of nesting; what mineralize asks for has four."""


def read_toml(path: Path, what: str) -> dict[str, Any]:
    """The table of a TOML file that a person wrote; a byte order mark before it is passed over.

    ``what`` names the file in sentences ("the settings file"); nothing of its content is quoted.

    Raises
    ------
    InputError
        where it is no plain file, too large, no UTF-8, no TOML (with line and column), or nested too deep.
    """
    text = _text(path, what)
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        place = str(error).rpartition("(")[2].rstrip(")") if "(at " in str(error) else "somewhere"
        raise InputError(f"{what} is not valid TOML ({place}); correct it there") from None
    except RecursionError:
        raise InputError(f"{what} is nested too deep; write it anew") from None
    except ValueError:
        raise InputError(f"{what} holds a number or a date that cannot be; correct it") from None
    _refuse_depth(table, what)
    return table


def read_json(path: Path, what: str, largest: int = LARGEST_BYTES) -> Any:
    """The value of a JSON file.

    Raises
    ------
    InputError
        where :func:`read_toml` would raise it, or where it is no JSON.
    """
    text = _text(path, what, largest)
    try:
        value = json.loads(text)
    except RecursionError:
        raise InputError(f"{what} is nested too deep; write it anew") from None
    except ValueError:
        raise InputError(f"{what} is not valid JSON; write it anew") from None
    _refuse_depth(value, what)
    return value


def _text(path: Path, what: str, largest: int = LARGEST_BYTES) -> str:
    """Whole UTF-8 text. The file is opened without waiting, so that a pipe nobody writes to cannot hold us."""
    try:
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
        with os.fdopen(handle, "rb") as stream:
            if not stat.S_ISREG(os.fstat(handle).st_mode):
                raise InputError(f"{what} is no plain file; give a file")
            data = stream.read(largest + 1)
    except (OSError, ValueError) as error:
        if isinstance(error, InputError):
            raise
        raise InputError(f"{what} could not be read; check that it is there and its permissions") from None
    if len(data) > largest:
        raise InputError(f"{what} is larger than {largest >> 20} MiB; it cannot be what it should be")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError(f"{what} is not UTF-8 text; save it as UTF-8") from None


def _refuse_depth(value: Any, what: str) -> None:
    """Dotted keys nest deeper than the stack without troubling the TOML reader; what walks the table would fall."""
    level = [value] if isinstance(value, Mapping | list) else []
    for _ in range(DEEPEST):
        level = [v for one in level for v in (one.values() if isinstance(one, Mapping) else one)
                 if isinstance(v, Mapping | list)]  # fmt: skip
        if not level:
            return
    raise InputError(f"{what} is nested too deep; write it anew")
