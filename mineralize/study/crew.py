"""Scans side by side: how many at a time, in threads, with the results in the order of the scans.

The heavy work is done in libraries that let other threads run meanwhile, so threads are enough; the voxels are held
once, and nothing is copied between processes.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import TypeVar

import SimpleITK as sitk
from threadpoolctl import threadpool_limits

from ..base import Grid, cores, kept_in_memory

OnStep = Callable[[str, int, int], None]
Item = TypeVar("Item")
Result = TypeVar("Result")

WORKING_MIB = 350.0
"""What one scan at work takes, beside the voxels of all scans, whatever its size (measured with scripts/bench)."""
WORKING_SHARE = 1.5
"""... and how many times its voxels, at two bytes each, on top."""


def free_mib() -> float | None:
    """Memory that can be had without swapping, the limit of a container included; ``None`` where nobody says."""
    found = []
    try:
        lines = Path("/proc/meminfo").read_text(encoding="ascii").splitlines()
        found += [int(line.split()[1]) / 1024 for line in lines if line.startswith("MemAvailable:")]
    except (OSError, ValueError, IndexError):
        pass
    try:
        limit, used = (Path(f"/sys/fs/cgroup/memory.{name}").read_text(encoding="ascii") for name in ("max", "current"))
        found.append((int(limit) - int(used)) / 2**20)
    except (OSError, ValueError):
        pass  # no limit, or not on this system
    return min(found, default=None)


def voxels_mib(grids: Sequence[Grid]) -> tuple[float, float]:
    """MiB that the voxels of scans take at two bytes each: what stays of all of them, and of the largest while it is at
    work. Nothing stays of those that lie in a file."""
    sizes = [2 * grid.shape[0] * grid.shape[1] * grid.shape[2] for grid in grids]
    return sum(size for size in sizes if kept_in_memory(size)) / 2**20, max(sizes, default=0) / 2**20


def need_mib(grids: Sequence[Grid], at_a_time: int) -> float:
    """Memory in MiB that measuring scans on these grids takes at most: every scan at work takes ``WORKING_MIB`` and
    ``WORKING_SHARE`` times its own voxels, beside those that stay."""
    stay, largest = voxels_mib(grids)
    return stay + max(1, min(at_a_time, len(grids))) * (WORKING_MIB + WORKING_SHARE * largest)


def scans_at_a_time(grids: Sequence[Grid], free: float | None = None, available: int | None = None) -> int:
    """As many scans as there are cores, but no more than fit by :func:`need_mib`.

    Parameters
    ----------
    free, available : MiB that can be had and cores; asked of the system where not given.
    """
    free = free_mib() if free is None else free
    most = max(1, min(available or cores(), len(grids)))
    if free is None or not grids:
        return most
    return max((count for count in range(1, most + 1) if need_mib(grids, count) <= free), default=1)


class Crew:
    """A few threads that take tasks in the order they are given; with one worker the caller does them at once."""

    def __init__(self, workers: int) -> None:
        self.workers = max(1, workers)
        self._pool = ThreadPoolExecutor(self.workers, "scan") if workers > 1 else None

    def submit(self, task: Callable[[], Result]) -> Future[Result]:
        """Start a task or put it at the end of the queue. It may wait for tasks that were given before it."""
        if self._pool is not None:
            return self._pool.submit(task)
        done: Future[Result] = Future()
        done.set_result(task())
        return done

    def each(self, task: Callable[[Item], Result], items: Iterable[Item]) -> list[Result]:
        """Results in the order of the items. Of several errors that of the first item is raised."""
        futures = [self.submit(lambda item=item: task(item)) for item in items]  # type: ignore[misc]
        return [future.result() for future in futures]

    def stop(self) -> None:
        """Drop what has not been started and wait for the rest."""
        if self._pool is not None:
            self._pool.shutdown(cancel_futures=True)


@contextmanager
def crew(workers: int) -> Iterator[Crew]:
    """Workers for a while. They share the cores, so the image library's own threads are cut meanwhile, for all of them
    together to use no more than are ours.

    Linear algebra has one thread: its sums, and so the last digits of a record, would depend on how many it is allowed
    on this machine or in this worker of a cluster.
    """
    own = sitk.ProcessObject.GetGlobalDefaultNumberOfThreads()
    made = Crew(workers)
    sitk.ProcessObject.SetGlobalDefaultNumberOfThreads(max(1, min(own, cores()) // made.workers))
    try:
        with threadpool_limits(limits=1, user_api="blas"):
            yield made
    finally:
        made.stop()
        sitk.ProcessObject.SetGlobalDefaultNumberOfThreads(own)


class Clock:
    """Wall and processor seconds per stage, and word to whoever watches. Stages may overlap."""

    def __init__(self, on_step: OnStep | None, workers: int = 1) -> None:
        self._on_step = on_step
        self._alone = workers == 1
        self._lock = threading.Lock()
        self._span: dict[str, tuple[float, float]] = {}
        self._processor: dict[str, float] = {}
        self._totals: dict[str, int] = {}
        self._done: dict[str, int] = {}
        self._told = ("", -1)

    def expect(self, **totals: int) -> None:
        """Counts of what comes side by side, in the order in which stages are told; underscores stand for blanks."""
        for name, total in totals.items():
            self._totals[name.replace("_", " ")] = total
            self._done[name.replace("_", " ")] = 0

    @contextmanager
    def stage(self, name: str, done: int = 0, total: int = 0) -> Iterator[None]:
        """Time a block that runs alone in the calling thread, whatever threads it starts itself."""
        if self._on_step is not None:
            self._on_step(name, done, total)
        with self._timed(name, time.process_time):
            yield

    @contextmanager
    def task(self, name: str) -> Iterator[None]:
        """Time one of the tasks that :meth:`expect` announced."""
        self._tell()
        with self._timed(name, time.process_time if self._alone else time.thread_time):
            yield
        with self._lock:
            self._done[name] += 1
        self._tell()

    @contextmanager
    def _timed(self, name: str, processor: Callable[[], float]) -> Iterator[None]:
        start, used = time.perf_counter(), processor()
        try:
            yield
        finally:
            end, used = time.perf_counter(), processor() - used
            with self._lock:
                first, last = self._span.get(name, (start, end))
                self._span[name] = (min(first, start), max(last, end))
                self._processor[name] = self._processor.get(name, 0.0) + used

    def _tell(self) -> None:
        """The first stage that is not done yet: what is told never goes back."""
        if self._on_step is None:
            return
        with self._lock:
            open_ = [name for name, total in self._totals.items() if self._done[name] < total]
            now = (open_[0], self._done[open_[0]]) if open_ else self._told
            if now != self._told:
                self._told = now
                self._on_step(now[0], now[1], self._totals[now[0]])

    def seconds(self) -> tuple[tuple[str, float], ...]:
        """Wall seconds from the first start to the last end of every stage."""
        return tuple((name, round(last - first, 3)) for name, (first, last) in self._span.items())

    def processor_seconds(self) -> tuple[tuple[str, float], ...]:
        """Processor seconds of every stage."""
        return tuple((name, round(used, 3)) for name, used in self._processor.items())
