"""Cases measured by a Dask cluster: one of this machine, or one that is there already.

Dask's own memory of what was computed is not used; what is done and what is not stands in the output folder.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import queue
from dataclasses import replace
from typing import Any

import dask
from distributed import Client, LocalCluster, get_worker
from distributed.client import Future
from distributed.scheduler import KilledWorker

from ..base import UsageError, collect_seldom, keep_freed
from ..results import texts
from .job import Answer, Died, Job, task

CONNECT_SECONDS = 20
QUIET = logging.CRITICAL + 1


class Cluster:
    """Jobs on a Dask cluster; every worker takes one case at a time."""

    def __init__(self, client: Client, cluster: LocalCluster | None, budget_mib: float | None, entry: str) -> None:
        self._client, self._cluster, self._entry = client, cluster, entry
        self._budget = budget_mib
        self._answers: queue.Queue[Future[Any]] = queue.Queue()
        self._tickets: dict[Any, int] = {}

    @property
    def slots(self) -> int:
        """As many as there are workers now: they may come and go."""
        if self._cluster is not None:
            return len(self._cluster.worker_spec)
        return max(1, len(self._client.scheduler_info(n_workers=-1)["workers"]))

    @property
    def budget_mib(self) -> float | None:
        """What jobs may take; on a cluster of others each worker has a limit of its own, which is not ours to share."""
        return self._budget

    def start(self, ticket: int, kind: str, job: Job) -> None:
        future = self._client.submit(_work, self._entry, kind, job, pure=False, retries=0)
        self._tickets[future.key] = ticket
        future.add_done_callback(self._answers.put)

    def wait(self) -> list[tuple[int, Answer]]:
        futures = [self._answers.get()]
        with contextlib.suppress(queue.Empty):
            while True:
                futures.append(self._answers.get_nowait())
        found: list[tuple[int, Answer]] = []
        for future in futures:
            answer: Answer
            try:
                answer = future.result()
            except (KilledWorker, asyncio.CancelledError, OSError, Exception):
                answer = Died()  # our own work answers its faults; what is raised here is the cluster's
            found.append((self._tickets.pop(future.key), answer))
            future.release()
        return found

    def close(self) -> None:
        with contextlib.suppress(Exception):
            self._client.close(timeout=5)
        if self._cluster is not None:
            with contextlib.suppress(Exception):
                self._cluster.close(timeout=5)


# No case is a task of which one would want to know where its time goes: looks at a worker a hundred times a second, and
# at the machine twice, are a tenth of what it does.
def local(jobs: int, budget_mib: float | None, entry: str) -> Cluster:
    """A cluster of this machine that ends with this process. Memory is shared out by us, case by case."""
    for name in ("distributed", "distributed.nanny", "distributed.scheduler", "distributed.worker"):
        logging.getLogger(name).setLevel(QUIET)
    dask.config.set(
        {
            "distributed.scheduler.allowed-failures": 0,
            "distributed.worker.daemon": True,
            "distributed.worker.profile.enabled": False,
            "distributed.admin.system-monitor.gil.enabled": False,
            "distributed.admin.system-monitor.interval": "10s",
            "distributed.admin.tick.interval": "500ms",
        }
    )
    cluster = LocalCluster(
        n_workers=jobs,
        threads_per_worker=1,
        processes=True,
        memory_limit=None,
        dashboard_address=None,
        silence_logs=QUIET,
    )
    return Cluster(Client(cluster), cluster, budget_mib, entry)


def join(address: str, entry: str) -> Cluster:
    """A cluster that runs already.

    Raises
    ------
    UsageError
        where nobody answers at that address.
    """
    try:
        client = Client(address, timeout=CONNECT_SECONDS, set_as_default=False)
    except (OSError, ValueError, TypeError) as error:
        raise UsageError(texts.BATCH_NO_SCHEDULER) from error
    return Cluster(client, None, None, entry)


def _work(entry: str, kind: str, job: Job) -> Any:
    collect_seldom()
    keep_freed()
    if job.request.jobs is None:
        job = replace(job, request=replace(job.request, jobs=get_worker().state.nthreads))
    return task(entry)(kind, job)
