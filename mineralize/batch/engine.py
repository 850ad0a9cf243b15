"""Who measures the cases: this process, processes of our own, or a Dask cluster. All take jobs and hand back answers.

An engine is used from one thread: :meth:`Engine.start` a job where there is room (:attr:`Engine.slots`), then
:meth:`Engine.wait` for answers. A worker that dies answers with :class:`.job.Died` and is replaced.
"""

from __future__ import annotations

import contextlib
import pickle
import queue
import subprocess
import threading
from collections.abc import Iterator
from importlib.util import find_spec
from typing import Any, Protocol

from ..base import UsageError, isolated_python, receive, send
from ..cases import one_aide
from ..results import texts
from .job import Answer, Died, Job, task

ENTRY = "mineralize.batch.worker"
"""Module whose ``main`` a worker runs and whose ``do`` it calls; another one stands in for it in tests."""


class Engine(Protocol):
    """See the module. ``budget_mib`` is what all jobs together may take, ``None`` where that is not known."""

    @property
    def slots(self) -> int: ...

    @property
    def budget_mib(self) -> float | None: ...

    def start(self, ticket: int, kind: str, job: Job) -> None: ...

    def wait(self) -> list[tuple[int, Answer]]: ...

    def close(self) -> None: ...


@contextlib.contextmanager
def engine(jobs: int, scheduler: str, budget_mib: float | None, entry: str = ENTRY) -> Iterator[Engine]:
    """The engine asked for: ``scheduler`` is the address of a cluster; without it ``jobs`` workers on this machine,
    Dask's where it is installed; with one job and no scheduler this process.

    Raises
    ------
    UsageError
        where a cluster is asked for and cannot be had.
    """
    made: Engine
    if scheduler:
        made = _cluster().join(scheduler, entry)
    elif jobs <= 1:
        made = Here(entry)
    elif find_spec("distributed") is not None:
        made = _cluster().local(jobs, budget_mib, entry)
    else:
        made = Pool(jobs, budget_mib, entry)
    try:
        yield made
    finally:
        made.close()


def _cluster() -> Any:
    if find_spec("distributed") is None:
        raise UsageError(texts.BATCH_NO_CLUSTER)
    from . import cluster  # an extra

    return cluster


class Here:
    """One case at a time, by this process."""

    slots = 1
    budget_mib: float | None = None

    def __init__(self, entry: str = ENTRY) -> None:
        self._do = task(entry)
        self._one_aide = contextlib.ExitStack()
        self._one_aide.enter_context(one_aide())
        self._answers: list[tuple[int, Answer]] = []

    def start(self, ticket: int, kind: str, job: Job) -> None:
        self._answers.append((ticket, self._do(kind, job)))

    def wait(self) -> list[tuple[int, Answer]]:
        answers, self._answers = self._answers, []
        return answers

    def close(self) -> None:
        self._one_aide.close()


class Pool:
    """Processes of our own. One that is killed takes nothing but its own case with it; all end with this process."""

    def __init__(self, jobs: int, budget_mib: float | None, entry: str = ENTRY) -> None:
        self.slots = jobs
        self.budget_mib = budget_mib
        self._entry = entry
        self._answers: queue.Queue[tuple[_Worker, int, Answer]] = queue.Queue()
        self._idle: list[_Worker] = []
        self._busy: set[_Worker] = set()

    def start(self, ticket: int, kind: str, job: Job) -> None:
        worker = self._idle.pop() if self._idle else _Worker(self._entry, self._answers)
        self._busy.add(worker)
        worker.give(ticket, kind, job)

    def wait(self) -> list[tuple[int, Answer]]:
        found = [self._answers.get()]
        with contextlib.suppress(queue.Empty):
            while True:
                found.append(self._answers.get_nowait())
        for worker, _, answer in found:
            self._busy.discard(worker)
            if isinstance(answer, Died):
                worker.end()
            else:
                self._idle.append(worker)
        return [(ticket, answer) for _, ticket, answer in found]

    def close(self) -> None:
        for worker in [*self._idle, *self._busy]:
            worker.end()


class _Worker:
    """A child process and the thread that waits for its answers."""

    def __init__(self, entry: str, answers: queue.Queue[tuple[_Worker, int, Answer]]) -> None:
        self._child = subprocess.Popen(
            isolated_python(entry),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            start_new_session=True,  # a key that stops the parent does not reach it past the parent
        )
        self._answers = answers
        self._asking: threading.Thread | None = None

    def give(self, ticket: int, kind: str, job: Job) -> None:
        self._asking = threading.Thread(target=self._ask, args=(ticket, kind, job), name="case", daemon=True)
        self._asking.start()

    def _ask(self, ticket: int, kind: str, job: Job) -> None:
        assert self._child.stdin is not None
        assert self._child.stdout is not None
        answer: Answer
        try:
            send(self._child.stdin, pickle.dumps((kind, job)))
            answer = pickle.loads(receive(self._child.stdout))
        except (OSError, EOFError, ValueError, pickle.PickleError):
            answer = Died()
        self._answers.put((self, ticket, answer))

    def end(self) -> None:
        with contextlib.suppress(OSError):
            self._child.kill()
        self._child.wait()
        if self._asking is not None:
            self._asking.join()
        for stream in (self._child.stdin, self._child.stdout):
            if stream is not None:
                with contextlib.suppress(OSError):
                    stream.close()
