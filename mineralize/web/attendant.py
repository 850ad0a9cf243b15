"""The server's side of the workers: one process per case in use, started when needed, stopped to cancel.

A worker that idles stays for a while, since it holds the voxels; only so many do at a time. At most one thing is done
for a case at a time.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
import sys
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ..base import OutputError, UsageError
from ..cases import check_output
from .shelf import Case, Shelf

MOST_IDLE = 2
"""Workers that keep their voxels while nothing is asked of them."""
LINE_LIMIT = 2**24
KNOWN = ("glance", "look", "candidates", "outline", "measure", "biopsy")


class Busy(UsageError):
    """Something is being done for this case already."""


@dataclass
class Job:
    """What is being or was last done for one case, as the page is told it."""

    number: int
    what: str
    state: str = "running"
    stage: str = ""
    done: int = 0
    total: int = 0
    text: str = ""
    kind: str = ""
    result: Mapping[str, Any] = field(default_factory=dict)
    began: float = field(default_factory=time.monotonic)
    ended: float = 0.0

    def told(self) -> dict[str, Any]:
        seconds = (self.ended or time.monotonic()) - self.began
        return {
            "number": self.number,
            "what": self.what,
            "state": self.state,
            "stage": self.stage,
            "done": self.done,
            "total": self.total,
            "text": self.text,
            "kind": self.kind,
            "result": dict(self.result),
            "seconds": round(seconds, 1),
        }


class Attendant:
    """Workers and jobs by case key; all methods are called on the server's event loop."""

    def __init__(self, shelf: Shelf) -> None:
        self._shelf = shelf
        self._workers: dict[str, asyncio.subprocess.Process] = {}
        self._jobs: dict[str, Job] = {}
        self._tasks: dict[str, asyncio.Task[None]] = {}
        self._count = 0

    def job(self, key: str) -> Job | None:
        return self._jobs.get(key)

    def busy(self, key: str) -> bool:
        job = self._jobs.get(key)
        return job is not None and job.state == "running"

    def start(self, case: Case, what: str, asked: Mapping[str, Any]) -> Job:
        """Begin something for a case. Busy where something is being done for it already."""
        if what not in KNOWN:
            raise UsageError("this is not something the page can ask for")
        if self.busy(case.key):
            raise Busy("something is being done for this case already; wait for it, or cancel it first")
        self._count += 1
        job = Job(self._count, what)
        self._jobs[case.key] = job
        self._tasks[case.key] = asyncio.create_task(self._run(case, job, {**asked, "do": what, "number": job.number}))
        return job

    async def finished(self, key: str) -> Job:
        """The last job of a case, once it has ended."""
        task = self._tasks.get(key)
        if task is not None:
            await asyncio.wait([task])
        return self._jobs[key]

    async def cancel(self, case: Case) -> None:
        """Stop what is being done; nothing that was saved before is touched."""
        job = self._jobs.get(case.key)
        if job is None or job.state != "running":
            return
        job.state, job.text, job.ended = "cancelled", "stopped; nothing was written", time.monotonic()
        await self._stop(case.key)
        task = self._tasks.get(case.key)
        if task is not None:
            await asyncio.wait([task])
        with contextlib.suppress(OutputError):
            await asyncio.to_thread(check_output, case.results)  # clears away what the stopped run left

    async def release(self, key: str) -> None:
        """Let the worker of a case go, because its files are about to be moved."""
        await self._stop(key)

    async def close(self) -> None:
        """Stop all workers."""
        for key in list(self._workers):
            await self._stop(key)
        tasks = [task for task in self._tasks.values() if not task.done()]
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)

    async def _run(self, case: Case, job: Job, request: Mapping[str, Any]) -> None:
        try:
            worker = await self._worker(case)
            assert worker.stdin is not None
            assert worker.stdout is not None
            worker.stdin.write((json.dumps(request) + "\n").encode())
            await worker.stdin.drain()
            while job.state == "running":
                line = await worker.stdout.readline()
                if not line:
                    raise EOFError
                self._hear(job, json.loads(line))
        except (EOFError, OSError, ValueError):
            if job.state == "running":
                job.state, job.kind = "failed", "ended"
                job.text = "the computation ended unexpectedly; perhaps memory ran out: close other programs, try again"
            await self._stop(case.key)
        finally:
            job.ended = job.ended or time.monotonic()

    @staticmethod
    def _hear(job: Job, said: Mapping[str, Any]) -> None:
        if said.get("to") != job.number:
            return
        if "step" in said:
            job.stage, job.done, job.total = said["step"]
        elif "failed" in said:
            held = dict(said["failed"])
            job.text, job.kind = held.pop("text"), held.pop("kind")
            job.result, job.state = held, "failed"
        elif "done" in said:
            job.result, job.state = said["done"], "done"

    async def _worker(self, case: Case) -> asyncio.subprocess.Process:
        held = self._workers.get(case.key)
        if held is not None and held.returncode is None:
            self._workers[case.key] = self._workers.pop(case.key)  # the latest in use stands last
            return held
        idle = [k for k in self._workers if k != case.key and not self.busy(k)]
        for key in idle[: max(0, len(idle) - MOST_IDLE + 1)]:
            await self._stop(key)
        about = {
            "key": case.key,
            "folder": str(case.folder),
            "alias": case.alias,
            "results": str(case.results),
            "kept": str(case.kept),
            "root": str(self._shelf.root),
        }
        package = str(Path(__file__).parents[2])
        path = os.pathsep.join([package, *([p] if (p := os.environ.get("PYTHONPATH")) else [])])
        worker = await asyncio.create_subprocess_exec(
            sys.executable,
            "-m",
            f"{__package__}.worker",
            json.dumps(about),
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            env={**os.environ, "PYTHONPATH": path},
            start_new_session=True,
            limit=LINE_LIMIT,
        )
        self._workers[case.key] = worker
        return worker

    async def _stop(self, key: str) -> None:
        worker = self._workers.pop(key, None)
        if worker is None:
            return
        with contextlib.suppress(ProcessLookupError):
            if worker.returncode is None and hasattr(os, "killpg"):
                os.killpg(worker.pid, signal.SIGKILL)  # with what it started; what is saved is saved by renames
            elif worker.returncode is None:
                worker.kill()
        if worker.stdin is not None:
            worker.stdin.close()
        await worker.wait()
