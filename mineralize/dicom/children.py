"""Child processes that decode and must answer in time.

A decoder may end its process on damaged data, or stay busy with it for minutes. Two bounds meet the second. The child
bounds its own processor time for each picture, which does not grow with the load of the machine; the system ends it.
The parent bounds the time that it waits for an answer, generously: for a child that was stopped, or waits for a drive.
"""

from __future__ import annotations

import contextlib
import math
import pickle
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import IO, Any

from ..base import SeriesError, isolated_python, send
from .decode import twelve_bit_jpeg
from .image import Image

DECODING_S = 3.0
"""Processor time for any picture, however small: the decoder is loaded in it."""
PIXELS_PER_S = 5e5
"""A tenth of what the slowest decoder does (6e6 for JPEG 2000 of noise, 3e7 for JPEG-LS, measured on one core)."""
BYTES_PER_S = 2e7
"""All frames of a file are passed over to find one."""
WAITING_S = 240.0
WAITING_TIMES = 20
"""The parent waits so long, and so many times the processor time: many processes may share a core, and a child that
was given a hundredth of one needs a minute to start."""
ENDING_S = 5.0
"""For a child that has said its last to be gone."""


class LateError(Exception):
    """The child did not answer in time."""


class EndedError(Exception):
    """The child ended without an answer."""


def allowed_s(image: Image) -> float:
    """Processor time in which one slice must be decoded: it grows with what its header declares."""
    coding = image.coding
    frames = coding.frames if twelve_bit_jpeg(coding) else 1  # that reader decodes all frames for one
    return DECODING_S + coding.rows * coding.columns * frames / PIXELS_PER_S + image.where.length / BYTES_PER_S


def bound(seconds: float) -> None:
    """From now on this process lives for so much more processor time (where the system can count it)."""
    if hasattr(signal, "setitimer"):
        signal.signal(signal.SIGPROF, signal.SIG_DFL)  # the system ends the process, whatever the decoder is at
        signal.setitimer(signal.ITIMER_PROF, seconds)


def late(label: str, image: Image) -> SeriesError:
    """What is said of a series whose decoder took too long."""
    return SeriesError(
        f"{label}: expected a slice to be decoded within {allowed_s(image):.0f} s, found one that takes longer, as "
        "damaged ones do",
        "decode-time",
        "export the series uncompressed",
    )


class Child:
    """One process that was handed a job and answers on its standard output."""

    def __init__(self, process: subprocess.Popen[bytes]) -> None:
        assert process.stdin is not None
        assert process.stdout is not None
        self._process = process
        self._input: IO[bytes] = process.stdin
        self._output: IO[bytes] = process.stdout
        self._late = False

    def give(self, job: object, seconds: float) -> None:
        """Hand over its job.

        Raises
        ------
        LateError, EndedError
            as in :meth:`read`.
        """
        with self._within(seconds):
            try:
                pickle.dump(job, self._input)
                self._input.close()
            except BrokenPipeError:
                self._ended()

    def read(self, size: int, seconds: float) -> bytes:
        """The next ``size`` bytes of its answer.

        Raises
        ------
        LateError, EndedError
            when it takes longer than ``seconds``, or than its own bound; when it ended.
        """
        found = bytearray(size)
        self.read_into(memoryview(found), seconds)
        return bytes(found)

    def read_into(self, view: memoryview, seconds: float) -> None:
        """As :meth:`read`, into ``view`` (bytes)."""
        with self._within(seconds):
            done = 0
            while done < len(view):
                got = self._output.readinto(view[done:])  # type: ignore[attr-defined]
                if not got:
                    self._ended()
                done += got

    @contextmanager
    def _within(self, seconds: float) -> Iterator[None]:
        timer = threading.Timer(WAITING_S + WAITING_TIMES * seconds, self._end_late)
        timer.daemon = True
        timer.start()
        try:
            yield
        finally:
            timer.cancel()

    def _end_late(self) -> None:
        self._late = True
        self._process.kill()

    def _ended(self) -> None:
        try:
            code = self._process.wait(ENDING_S)
        except subprocess.TimeoutExpired:
            raise EndedError from None
        if self._late or code == -getattr(signal, "SIGPROF", math.inf):
            raise LateError
        raise EndedError


class Nursery:
    """Children that end together: one failure, or the end of the wait, ends them all."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._living: set[subprocess.Popen[bytes]] = set()
        self._over = False

    @contextmanager
    def child(self, module: str) -> Iterator[Child]:
        """A child that runs ``main()`` of a module of ours; gone when the block ends.

        Raises
        ------
        EndedError
            when it cannot be started, or :meth:`end` was called.
        """
        with self._lock:
            if self._over:
                raise EndedError
            try:
                process = subprocess.Popen(
                    isolated_python(module), stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
                )
            except OSError:
                raise EndedError from None
            self._living.add(process)
        try:
            yield Child(process)
        finally:
            process.kill()
            with contextlib.suppress(BrokenPipeError):
                process.__exit__(None, None, None)  # closes its pipes and waits
            with self._lock:
                self._living.discard(process)

    def end(self) -> None:
        """End all children now, and start no more."""
        with self._lock:
            self._over = True
            for process in self._living:
                process.kill()


def answer(module: str, job: object, seconds: float) -> Any:
    """What one child says to a job, both pickled; see :func:`serve`.

    Raises
    ------
    LateError, EndedError
        as :meth:`Child.read`.
    """
    with Nursery().child(module) as child:
        child.give(job, seconds)
        size = int.from_bytes(child.read(8, seconds), "little")
        return pickle.loads(child.read(size, seconds))


def serve(work: Callable[[Any], object]) -> None:
    """What the child of :func:`answer` runs: one job, one answer."""
    send(sys.stdout.buffer, pickle.dumps(work(pickle.load(sys.stdin.buffer))))
