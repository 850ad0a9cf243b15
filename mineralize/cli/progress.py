"""Progress on standard error, only for work that lasts longer than a second."""

from __future__ import annotations

import contextlib
import sys
import threading
import time
from types import TracebackType
from typing import TextIO

from . import log

PATIENCE_SECONDS = 1.0
NOTE_SECONDS = 60.0
WIDTH = 24


class Progress:
    """Called with a stage's name, and how much of it is done where that is known.

    On a terminal one line is redrawn; elsewhere each stage gets a line of its own, and what is noted beside it one
    every ``NOTE_SECONDS``. Nothing is written before ``PATIENCE_SECONDS`` have passed.
    """

    def __init__(self, stream: TextIO | None = None, prefix: str = "") -> None:
        self._stream = stream or sys.stderr
        self._prefix = prefix
        self._live = self._stream.isatty()
        self._start = time.monotonic()
        self._state: tuple[str, int, int, str] = ("", 0, 0, "")
        self._noted = self._start
        self._shown = ""
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._watch, daemon=True)

    def __enter__(self) -> Progress:
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, tb: TracebackType | None) -> None:
        self._stop.set()
        self._thread.join()
        with self._lock:
            if self._live and self._shown:
                self._write("\r\x1b[K")

    def __call__(self, stage: str, done: int = 0, total: int = 0, note: str = "") -> None:
        with self._lock:
            if stage != self._state[0]:
                log.step(stage)
            self._state = (stage, done, total, note)
        if time.monotonic() - self._start >= PATIENCE_SECONDS:
            self._draw()

    def _watch(self) -> None:
        wait = PATIENCE_SECONDS
        while not self._stop.wait(wait):
            self._draw()
            wait = 0.2 if self._live else 1.0

    def _draw(self) -> None:
        with self._lock:
            stage, done, total, note = self._state
            if not stage or self._stop.is_set():
                return
            if self._live:
                filled = WIDTH * min(done, total) // total if total else 0
                bar = f" {'━' * filled}{'─' * (WIDTH - filled)} {done} of {total}" if total else ""
                line = (
                    f"{self._prefix}{stage}{bar}  {time.monotonic() - self._start:.0f} s{f'  {note}' if note else ''}"
                )
                self._write(f"\r\x1b[K{line}")
                self._shown = line
            elif stage != self._shown and not log.spoken():
                self._write(f"{self._prefix}{stage}\n")
                self._shown = stage
            elif note and time.monotonic() - self._noted >= NOTE_SECONDS:
                self._write(f"{self._prefix}{stage}  {done} of {total}  {note}\n")
                self._noted = time.monotonic()

    def _write(self, text: str) -> None:
        with contextlib.suppress(OSError, ValueError):  # a full or closed stream is no reason to stop the work
            self._stream.write(text)
            self._stream.flush()
