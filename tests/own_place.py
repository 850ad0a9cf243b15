"""A folder in memory, and a small drive, that outlive no run: for scripts that are killed, or kill.

A folder is held by a lock that ends with the process; the next run deletes what a dead one left. A drive is mounted in
a name space of this process and its children, so that the system takes it away with the last of them.
"""

from __future__ import annotations

import contextlib
import ctypes
import fcntl
import os
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

PREFIX = "mineralize-own-"
HELD = "held"
NEW_MOUNTS = 0x00020000
"""CLONE_NEWNS of linux/sched.h."""
YOUNG_SECONDS = 60.0
"""A folder without its lock that is younger may be about to get one."""
ENDING = (signal.SIGTERM, signal.SIGHUP)
"""Signals that end a process without a word of it; a key that stops it raises by itself."""


def in_memory() -> Path:
    """In memory where there is such a place: a kill loses nothing that was written, so no disk need be waited for."""
    return Path("/dev/shm" if os.access("/dev/shm", os.W_OK) else tempfile.gettempdir())


@contextlib.contextmanager
def own_place(room: Path | None = None) -> Iterator[Path]:
    """A folder of this run below ``room``, gone afterwards, also where a signal ends the run."""
    room = room or in_memory()
    clear(room)
    heard = [number for number in ENDING if signal.getsignal(number) is not signal.SIG_IGN]  # nohup stays nohup
    before = {number: signal.signal(number, _leave) for number in heard}
    place = Path(tempfile.mkdtemp(prefix=PREFIX, dir=room))
    lock = os.open(place / HELD, os.O_RDWR | os.O_CREAT, 0o600)
    owner = os.getpid()
    try:
        fcntl.flock(lock, fcntl.LOCK_EX)
        inner = place / "work"
        inner.mkdir()
        yield inner
    finally:
        if os.getpid() == owner:  # a forked child leaves the folder to its parent
            shutil.rmtree(place, ignore_errors=True)
            os.close(lock)
            for number, handler in before.items():
                signal.signal(number, handler)


def clear(room: Path) -> None:
    """Delete what dead runs left below ``room``."""
    for place in room.glob(f"{PREFIX}*"):
        with contextlib.suppress(OSError):
            if not (place / HELD).exists() and time.time() - place.stat().st_mtime > YOUNG_SECONDS:
                shutil.rmtree(place, ignore_errors=True)  # its own run could not delete all of it
                continue
            lock = os.open(place / HELD, os.O_RDWR)
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
                shutil.rmtree(place, ignore_errors=True)
            finally:
                os.close(lock)


def alone_with_mounts() -> bool:
    """Whether drives mounted from now on are seen by this process and its children only, and end with them."""
    unshare: Any = getattr(ctypes.CDLL(None), "unshare", None)  # Linux
    if unshare is None or unshare(NEW_MOUNTS) != 0:
        return False
    return subprocess.run(["mount", "--make-rprivate", "/"], capture_output=True).returncode == 0


def _leave(number: int, _: Any) -> None:
    raise SystemExit(128 + number)
