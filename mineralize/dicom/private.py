"""A temporary folder for what is unpacked, which does not outlive the run, however the run ends.

It holds scans that name their patient. A run that ends by itself removes it; one that is killed cannot, so a small
process that waits for the run to end does. Where even that is lost (the machine goes down), the next run that unpacks
anything finds the folder unlocked, and removes it.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import stat
import subprocess
import sys
import tempfile
import time
from multiprocessing.util import Finalize
from pathlib import Path

PREFIX = "mineralize-unpacked-"
MAKING = ".mineralize-making-"
"""A folder that is not locked yet: by its final name another run would take it for a dead one's."""
LOCK = ".lock"
YOUNG_SECONDS = 600.0
"""A folder that has no lock yet may be one that is just being made."""
_WAIT = (
    "import shutil, sys\n"
    "sys.stdin.buffer.read()\n"  # ends when the other end is closed, which the death of a process does too
    "shutil.rmtree(sys.argv[1], ignore_errors=True)\n"
)


class PrivateFolder:
    """A folder that only this user can look into; :meth:`remove` is also called at the end of the program."""

    def __init__(self) -> None:
        made = tempfile.mkdtemp(prefix=MAKING)
        self._lock = _locked(Path(made) / LOCK, make=True)
        self.path = os.path.join(os.path.dirname(made), PREFIX + os.path.basename(made).removeprefix(MAKING))
        os.rename(made, self.path)
        self._keeper = _keeper(self.path)
        # Unlike atexit this also runs at the end of the worker processes of a batch.
        self._end = Finalize(None, _remove, args=(self.path, self._lock, self._keeper), exitpriority=0)

    def remove(self) -> None:
        """Remove the folder with all that is in it, now."""
        self._end()


def clear_leftovers() -> int:
    """Remove folders of runs that are no more; returns how many."""
    removed = 0
    try:
        found = [entry for entry in os.scandir(tempfile.gettempdir()) if entry.name.startswith((PREFIX, MAKING))]
    except OSError:
        return 0
    for entry in found:
        with contextlib.suppress(OSError):
            status = os.lstat(entry.path)
            if not stat.S_ISDIR(status.st_mode) or (hasattr(os, "geteuid") and status.st_uid != os.geteuid()):
                continue
            lock = Path(entry.path) / LOCK
            if entry.name.startswith(PREFIX) and lock.exists():
                held = _locked(lock, make=False)
                if held is None:
                    continue  # its run is alive
                os.close(held)
            elif time.time() - status.st_mtime < YOUNG_SECONDS:
                continue
            shutil.rmtree(entry.path, ignore_errors=True)
            removed += 1
    return removed


def _locked(path: Path, *, make: bool) -> int | None:
    """A descriptor that holds the lock for as long as it is open; ``None`` where another process holds it."""
    try:
        import fcntl
    except ImportError:  # no such locks on this system: leftovers are told by nothing, and stay
        return None
    descriptor = os.open(path, os.O_RDWR | (os.O_CREAT if make else 0), 0o600)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        os.close(descriptor)
        return None
    return descriptor


def _keeper(path: str) -> subprocess.Popen[bytes] | None:
    """The process that removes the folder when this one is gone, in a session of its own: no hang-up ends it."""
    try:
        return subprocess.Popen(
            [sys.executable, "-I", "-S", "-c", _WAIT, path],
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            cwd=os.path.dirname(path),
            start_new_session=True,
        )
    except OSError:
        return None


def _remove(path: str, lock: int | None, keeper: subprocess.Popen[bytes] | None) -> None:
    shutil.rmtree(path, ignore_errors=True)
    if lock is not None:
        with contextlib.suppress(OSError):
            os.close(lock)
    if keeper is not None:
        assert keeper.stdin is not None
        with contextlib.suppress(OSError):
            keeper.stdin.close()
        keeper.wait()
