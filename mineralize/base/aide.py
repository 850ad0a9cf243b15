"""One more process of ours, that is handed calls and answers them one after another.

For work of the interpreter itself, which threads would not make faster. It is started by a thread that lives as long as
the :class:`Aide`: its life is bound to that thread's. Where it cannot be started, is killed or fails, the answer is an
error, and who asked does the work.
"""

from __future__ import annotations

import contextlib
import pickle
import subprocess
import threading
from collections.abc import Callable
from concurrent.futures import Future
from queue import SimpleQueue
from types import TracebackType
from typing import Any, ParamSpec, TypeVar

from .child import isolated_python
from .parent import receive, send, serve

Given = ParamSpec("Given")
Result = TypeVar("Result")
_Question = tuple[bytes, "Future[Any]"]


class AideError(Exception):
    """The other process could not do it; to do it here tells why."""


class Aide:
    """The other process runs ``main()`` of a module of ours, which calls :func:`answer_calls`."""

    def __init__(self, module: str) -> None:
        self._module = module
        self._lock = threading.Lock()
        self._questions: SimpleQueue[_Question | None] = SimpleQueue()
        self._thread: threading.Thread | None = None
        self._child: subprocess.Popen[bytes] | None = None
        self._closed = False

    @property
    def started(self) -> bool:
        return self._thread is not None

    def start(self) -> None:
        """Let it load what it needs before it is asked; from any thread, as often as one likes."""
        with self._lock:
            if self._thread is None and not self._closed:
                self._thread = threading.Thread(target=self._serve, name="aide", daemon=True)
                self._thread.start()

    def ask(self, call: Callable[Given, Result], *given: Given.args, **named: Given.kwargs) -> Future[Result]:
        """Have a function of a module called there, after what was asked before.

        What it takes and returns must be something to pickle; what it takes is read before this returns. The result
        raises :class:`AideError` where it could not be done.
        """
        future: Future[Result] = Future()
        try:
            question = pickle.dumps((call, given, named))
        except (pickle.PicklingError, AttributeError, TypeError):
            future.set_exception(AideError())
            return future
        self.start()
        self._questions.put((question, future))
        return future

    def stop(self) -> None:
        """End the process now, whatever it does; what is asked afterwards starts another one."""
        with self._lock:
            if self._child is not None:
                self._child.kill()
                self._child.wait()

    def close(self) -> None:
        """End the process; nothing more is answered."""
        with self._lock:
            self._closed = True
        self.stop()
        if self._thread is not None:
            self._questions.put(None)
            self._thread.join()

    def __enter__(self) -> Aide:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def _serve(self) -> None:
        self._living()
        while (question := self._questions.get()) is not None:
            message, future = question
            try:
                good, result = self._answered(message)
            except (OSError, EOFError, ValueError, pickle.PickleError):
                good, result = False, None
                self.stop()  # it may be on its way out, and must not be taken for one that lives
            if good:
                future.set_result(result)
            else:
                future.set_exception(AideError())
        _bury(self._child)

    def _answered(self, message: bytes) -> tuple[bool, Any]:
        child = self._living()
        if child is None:
            return False, None
        assert child.stdin is not None
        assert child.stdout is not None
        send(child.stdin, message)  # it stays open: by its end the child knows that this process is gone
        found: tuple[bool, Any] = pickle.loads(receive(child.stdout))
        return found

    def _living(self) -> subprocess.Popen[bytes] | None:
        """The process, started anew where it is gone; ``None`` where it cannot be."""
        with self._lock:
            if self._child is not None and self._child.poll() is None:
                return self._child
            _bury(self._child)
            self._child = None
            if self._closed:
                return None
            with contextlib.suppress(OSError):
                self._child = subprocess.Popen(
                    isolated_python(self._module),
                    stdin=subprocess.PIPE,
                    stdout=subprocess.PIPE,
                    stderr=subprocess.DEVNULL,
                )
            return self._child


def _bury(child: subprocess.Popen[bytes] | None) -> None:
    if child is None:
        return
    child.kill()
    child.wait()
    for stream in (child.stdin, child.stdout):
        with contextlib.suppress(OSError):
            if stream is not None:
                stream.close()


def answer_calls(meanwhile: Callable[[], object] | None = None) -> None:
    """What the ``main()`` of an :class:`Aide` runs; ``meanwhile`` is called once, as soon as nothing is asked."""
    serve(_called, meanwhile)


def _called(question: tuple[Callable[..., Any], tuple[Any, ...], dict[str, Any]]) -> tuple[bool, Any]:
    call, given, named = question
    try:
        return True, call(*given, **named)
    except Exception:  # it is done again by who asked, and told there
        return False, None
