"""A child process that does not outlive its parent, however that ends."""

from __future__ import annotations

import os
import struct
import threading
from typing import IO

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


def end_with_parent(stream: IO[bytes]) -> None:
    """End this process at once when ``stream`` does: the parent holds its other end, and so does nobody else.

    Nothing may be read from the stream afterwards.
    """

    number = stream.fileno()

    def wait() -> None:
        while os.read(number, 1):  # not by the stream itself: its lock would still be held when the interpreter ends
            pass
        os._exit(1)

    threading.Thread(target=wait, name="parent", daemon=True).start()
