"""One run to an output folder: a lock that names its holder, and is taken over when the holder is gone."""

from __future__ import annotations

import contextlib
import json
import os
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from ..base import OutputError
from ..cases import MARKER, failed, hold
from ..results import texts

LOCK = f"{MARKER}-lock"
BEAT_SECONDS = 20.0
STALE_SECONDS = 180.0
"""A holder on another machine that has not touched the lock for so long is gone."""


@contextlib.contextmanager
def held(out: Path) -> Iterator[None]:
    """Keep other runs out of a folder for the block.

    The system's own lock ends with the process. Where the folder lies on a drive that knows none, or is shared with a
    machine that does not see it, the name in the file counts, and that it is touched again and again.

    Raises
    ------
    OutputError
        where another run holds it; names its process and host.
    """
    path = out / LOCK
    try:
        out.mkdir(parents=True, exist_ok=True)
        handle = _take(path)
    except OSError as error:
        if isinstance(error, OutputError):
            raise
        raise failed(error) from error
    ended = threading.Event()

    def beat() -> None:
        while not ended.wait(BEAT_SECONDS):
            with contextlib.suppress(OSError):
                os.utime(path)

    threading.Thread(target=beat, name="lock", daemon=True).start()
    try:
        yield
    finally:
        ended.set()
        path.unlink(missing_ok=True)
        if handle is not None:
            os.close(handle)


def _take(path: Path) -> int | None:
    while True:
        os.close(os.open(path, os.O_RDWR | os.O_CREAT, 0o666))  # its time stays: it tells whether the holder lives
        holder = _holder(path)
        try:
            handle = hold(path)
        except BlockingIOError:
            raise OutputError(texts.BATCH_LOCKED.format(process=holder["process"], host=holder["host"])) from None
        if handle is not None and not _same(handle, path):  # removed by its holder right now
            os.close(handle)
            continue
        if _lives(holder, path, system_lock=handle is not None):
            if handle is not None:
                os.close(handle)
            raise OutputError(texts.BATCH_LOCKED.format(process=holder["process"], host=holder["host"]))
        path.write_text(json.dumps({"process": os.getpid(), "host": socket.gethostname()}), encoding="utf-8")
        return handle


def _same(handle: int, path: Path) -> bool:
    try:
        return os.path.samestat(os.fstat(handle), os.stat(path))
    except OSError:
        return False


def _holder(path: Path) -> dict[str, Any]:
    try:
        held_by = json.loads(path.read_text(encoding="utf-8"))
        return {"process": int(held_by["process"]), "host": str(held_by["host"])}
    except (OSError, ValueError, KeyError, TypeError):
        return {"process": 0, "host": "?"}


def _lives(holder: dict[str, Any], path: Path, *, system_lock: bool) -> bool:
    if not holder["process"]:
        return False
    if holder["host"] != socket.gethostname():
        return time.time() - path.stat().st_mtime < STALE_SECONDS
    if system_lock or holder["process"] == os.getpid():
        return False
    try:
        os.kill(holder["process"], 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True
