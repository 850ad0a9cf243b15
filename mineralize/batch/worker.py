"""What a worker process of a batch runs: jobs come in on standard input, answers go out on standard output."""

from __future__ import annotations

import logging
import os
import pickle
import queue
import sys
import threading
import warnings
from collections.abc import Callable
from typing import Any

from ..base import receive, send
from .job import do

__all__ = ["do", "main", "serve"]


def main() -> None:
    """Work until the parent is gone."""
    serve(do)


def serve(work: Callable[[str, Any], Any]) -> None:
    """Hand every job to ``work``; end at once when standard input ends, whatever is being done."""
    warnings.simplefilter("ignore")
    logging.getLogger("pydicom").setLevel(logging.CRITICAL + 1)
    answers = os.fdopen(os.dup(1), "wb")
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)  # what a library prints must not get between the answers
    jobs: queue.Queue[bytes] = queue.Queue()

    def listen() -> None:
        try:
            while True:
                jobs.put(receive(sys.stdin.buffer))
        except (EOFError, OSError):
            os._exit(1)

    threading.Thread(target=listen, name="parent", daemon=True).start()
    while True:
        kind, job = pickle.loads(jobs.get())
        send(answers, pickle.dumps(work(kind, job)))
