"""A child process that does not outlive its parent, however that ends."""

from __future__ import annotations

import logging
import os
import pickle
import struct
import sys
import threading
import warnings
from collections.abc import Callable
from queue import SimpleQueue
from typing import IO, Any

_LENGTH = struct.Struct("<Q")


def send(stream: IO[bytes], message: bytes) -> None:
    """Write a message with its length before it, so that the stream can stay open after it."""
    stream.write(_LENGTH.pack(len(message)))
    stream.write(message)
    stream.flush()


def receive(stream: IO[bytes]) -> bytes:
    """The next message of :func:`send`.

    Raises
    ------
    EOFError
        when the other end is gone.
    """
    head = _exactly(stream, _LENGTH.size)
    return _exactly(stream, _LENGTH.unpack(head)[0])


def _exactly(stream: IO[bytes], size: int) -> bytes:
    found = stream.read(size)
    if len(found) < size:
        raise EOFError("the other end is gone")
    return found


def serve(work: Callable[[Any], Any], meanwhile: Callable[[], object] | None = None) -> None:
    """Hand every message that the parent sends (pickled) to ``work`` and send back what it returns.

    The process ends at once when standard input ends, whatever is being done. What a library prints goes nowhere, and
    what it warns of neither: it may quote a patient's name. ``meanwhile`` is called once, as soon as nothing waits.
    """
    warnings.simplefilter("ignore")
    for name in ("pydicom", "matplotlib", "highdicom", "PIL"):
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)
    answers = os.fdopen(os.dup(1), "wb")
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)  # what a library prints must not get between the answers
    messages: SimpleQueue[bytes] = SimpleQueue()

    def listen() -> None:
        try:
            while True:
                messages.put(receive(sys.stdin.buffer))
        except (EOFError, OSError):
            os._exit(1)

    threading.Thread(target=listen, name="parent", daemon=True).start()
    while True:
        if meanwhile is not None and messages.empty():
            meanwhile()
            meanwhile = None
        send(answers, pickle.dumps(work(pickle.loads(messages.get()))))
