"""``-v`` and ``--log``: which step began when, and how a run ended. No name, date or path of the input is in it."""

from __future__ import annotations

import argparse
import contextlib
import logging
import os
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from .. import __version__

LOGGER = logging.getLogger("mineralize")


def add_options(sub: argparse.ArgumentParser) -> None:
    """``-v`` and ``--log`` of a command."""
    sub.add_argument("-v", "--verbose", action="store_true", help="say every step on standard error, with seconds")
    sub.add_argument("--log", metavar="FILE", type=Path, help="write every step to the end of FILE, with seconds")


@contextlib.contextmanager
def listening(arguments: argparse.Namespace) -> Iterator[None]:
    """Send steps where the options say, for the time of a command.

    Raises
    ------
    OutputError
        where the log cannot be written to.
    """
    from ..base import MineralizeError, OutputError  # help is told without them

    handlers: list[logging.Handler] = []
    if getattr(arguments, "verbose", False) and sys.stderr is not None:
        handlers.append(logging.StreamHandler(sys.stderr))
    path: Path | None = getattr(arguments, "log", None)
    if path is not None:
        try:
            handlers.append(logging.FileHandler(path, encoding="utf-8", errors="backslashreplace"))
        except OSError as error:
            cause = os.strerror(error.errno).lower() if error.errno else "unknown cause"
            raise OutputError(f"the log cannot be written to ({cause}); name another file with --log") from None
    begun = time.monotonic()
    for handler in handlers:
        handler.setFormatter(_Seconds(begun))
        handler.handleError = lambda record: None  # type: ignore[method-assign]  # a full disk ends no run
        LOGGER.addHandler(handler)
    LOGGER.propagate = False
    before = LOGGER.level
    LOGGER.setLevel(logging.INFO if handlers else logging.CRITICAL + 1)
    try:
        LOGGER.info("mineralize %s %s", __version__, arguments.command)
        yield
        LOGGER.info("done")
    except MineralizeError as error:
        LOGGER.info("ended, exit code %d: %s", error.exit_code, type(error).__name__)
        raise
    except BaseException as error:
        LOGGER.info("ended: %s", type(error).__name__)
        raise
    finally:
        LOGGER.setLevel(before)
        for handler in handlers:
            LOGGER.removeHandler(handler)
            handler.close()


def spoken() -> bool:
    """Whether steps are said on standard error already."""
    return any(type(handler) is logging.StreamHandler for handler in LOGGER.handlers)


def step(stage: str) -> None:
    """Note that a step began."""
    LOGGER.info("%s", stage)


class _Seconds(logging.Formatter):
    """Seconds since the command began: no clock of the day in it, so that logs of two runs can be compared."""

    def __init__(self, begun: float) -> None:
        super().__init__("%(message)s")
        self._begun = begun

    def format(self, record: logging.LogRecord) -> str:
        return f"{time.monotonic() - self._begun:8.1f} s  {super().format(record)}"
