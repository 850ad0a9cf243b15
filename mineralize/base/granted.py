"""How many cores are ours to use: what the system allows this process, or less where who runs it asks for less.

Every pool of threads, the image library's own and the process that helps to write ask here, so that one number bounds
them all. No result depends on it.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager

_lock = threading.Lock()
_bounds: list[int] = []


def cores() -> int:
    """Cores that this process may use now, at least one."""
    try:
        allowed = len(os.sched_getaffinity(0))
    except AttributeError:  # not on this system
        allowed = os.cpu_count() or 1
    with _lock:
        return max(1, min([allowed, *_bounds]))


@contextmanager
def at_most(count: int | None) -> Iterator[None]:
    """No more than ``count`` cores meanwhile, in all threads of this process; ``None`` bounds nothing."""
    if count is None:
        yield
        return
    with _lock:
        _bounds.append(count)
    try:
        yield
    finally:
        with _lock:
            _bounds.remove(count)
