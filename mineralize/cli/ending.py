"""How a run ends that is told to: by a signal, in one sentence, with an exit code, and with nothing left lying about.

The signal is turned into an exception, so that every block puts away what it had begun. Where that takes too long (the
main thread may sit in a library for minutes, or wait for threads that do), the process is ended from a second thread.
"""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import threading
from collections.abc import Callable, Iterator
from types import FrameType
from typing import TYPE_CHECKING

from .later import Later

if TYPE_CHECKING:
    from ..results import texts
else:
    texts = Later("results", "texts")

PATIENCE_SECONDS = 2.0
"""What a clean ending may take before it is cut short."""
SIGNALS = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))


class Stopped(BaseException):
    """A signal said stop; no ``Exception``, so that nothing takes it for a fault of one case."""

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.exit_code = 128 + number


@contextlib.contextmanager
def stoppable(last_act: Callable[[], None]) -> Iterator[None]:
    """Let signals end the block with :class:`Stopped`, and the process where that does not come through.

    ``last_act`` is what must be done even then. Does nothing but in the main thread.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    ended = threading.Event()
    near, far = socket.socketpair()
    near.setblocking(False)
    told = False

    def tell(number: int, frame: FrameType | None) -> None:
        nonlocal told
        if not told:  # a second signal must not cut the clean-up of the first short
            told = True
            raise Stopped(number)

    def watch() -> None:
        number = far.recv(1)
        if number and not ended.wait(PATIENCE_SECONDS):
            with contextlib.suppress(Exception):
                last_act()
            with contextlib.suppress(OSError):
                os.write(2, f"mineralize: {texts.STOPPED}\n".encode())
            os._exit(128 + number[0])

    heard = [number for number in SIGNALS if signal.getsignal(number) is not signal.SIG_IGN]  # nohup stays nohup
    before = {number: signal.signal(number, tell) for number in heard}
    woken = signal.set_wakeup_fd(near.fileno(), warn_on_full_buffer=False)
    watcher = threading.Thread(target=watch, name="ending", daemon=True)
    watcher.start()
    try:
        yield
    finally:
        ended.set()
        signal.set_wakeup_fd(woken)
        for number, handler in before.items():
            signal.signal(number, handler if handler is not None else signal.SIG_DFL)
        near.close()
        watcher.join()
        far.close()
