"""Standard streams as they may be: closed, full, gone, or unable to hold more than ASCII."""

from __future__ import annotations

import contextlib
import errno
import io
import os
import sys
from typing import TYPE_CHECKING

from .later import Later

if TYPE_CHECKING:
    from .. import base
else:
    base = Later("base")

STDOUT_FAILED = "what was to be printed could not be ({cause}); files that were written stay"


def ready() -> None:
    """Make the three streams usable: a closed one leads nowhere, and a letter one cannot hold is written as a number.

    A closed descriptor would otherwise be given to the next file that is opened, and messages would land in it.
    """
    for number in (0, 1, 2):
        with contextlib.suppress(OSError):
            try:
                os.fstat(number)
            except OSError:
                os.open(os.devnull, os.O_RDWR)
    if sys.stderr is None:
        sys.stderr = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115 - as long as the process
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")


def say(text: str) -> None:
    """Print a line, or lines, to standard output, now.

    Raises
    ------
    BrokenPipeError
        where whoever read it has had enough.
    OutputError
        where it cannot be written.
    """
    if sys.stdout is None:
        raise base.OutputError(STDOUT_FAILED.format(cause=os.strerror(errno.EBADF).lower()))
    try:
        sys.stdout.write(f"{text}\n")
        sys.stdout.flush()
    except BrokenPipeError:
        raise
    except (OSError, ValueError) as error:
        number = error.errno if isinstance(error, OSError) else None
        drop()
        cause = os.strerror(number or errno.EBADF).lower()
        raise base.OutputError(STDOUT_FAILED.format(cause=cause)) from error


def complain(text: str) -> None:
    """Print a line to standard error; where that cannot be, the exit code must do."""
    with contextlib.suppress(OSError, ValueError):
        print(f"mineralize: {text}", file=sys.stderr, flush=True)


def drop() -> None:
    """Let what is still in a buffer of standard output go nowhere: the program must not end with a fault over it."""
    with contextlib.suppress(OSError, ValueError, AttributeError):
        handle = os.open(os.devnull, os.O_WRONLY)
        os.dup2(handle, sys.stdout.fileno())
        os.close(handle)
