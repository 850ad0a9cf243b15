"""The process that works on one case for the page: started with the case, told what to do line by line.

Reads one JSON object per line from standard input and answers with lines of JSON on standard output: ``step`` while it
works, ``done`` or ``failed`` at the end. It ends when its input ends, so that nothing runs on without the server. What
is large goes into files in the case's own place. Every command calls the public function that the command line calls.
"""

from __future__ import annotations

import json
import logging
import os
import signal
import sys
import threading
import traceback
import warnings
from collections.abc import Callable, Mapping
from pathlib import Path
from queue import SimpleQueue
from typing import Any, TextIO

from ..base import LesionNeeded, MineralizeError, collect_seldom, load_compiled
from .shelf import Case, check_links
from .work import Work

Answer = Mapping[str, Any]


class _Line:
    """Answers of one request; steps come from any thread."""

    def __init__(self, stream: TextIO, number: int) -> None:
        self._stream = stream
        self._number = number
        self._lock = threading.Lock()
        self._last = ""

    def step(self, stage: str, done: int, total: int) -> None:
        self._write({"step": [stage, done, total]})

    def done(self, what: Answer) -> None:
        self._write({"done": what})

    def failed(self, text: str, kind: str, more: Answer | None = None) -> None:
        self._write({"failed": {"text": text, "kind": kind, **(more or {})}})

    def _write(self, what: Answer) -> None:
        text = json.dumps({"to": self._number, **what}, allow_nan=False)
        with self._lock:
            if text != self._last:
                self._stream.write(text + "\n")
                self._stream.flush()
                self._last = text


def main() -> int:
    """Serve requests until standard input ends."""
    collect_seldom()
    answers = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)  # nothing that a library prints may pass for an answer
    # Libraries quote what they stumble over, and that may be a patient's name.
    warnings.simplefilter("ignore")
    logging.disable(logging.CRITICAL)
    about = json.loads(sys.argv[1])
    names = {name: Path(about[name]) for name in ("folder", "results", "kept")}
    case = Case(about["key"], names["folder"], about["alias"], names["results"], names["kept"])
    root = Path(about["root"])
    work = Work(case)
    requests: SimpleQueue[dict[str, Any]] = SimpleQueue()
    threading.Thread(target=_listen, args=(requests,), daemon=True).start()
    # Loaded while the reader looks at the first picture, not when a point waits for its outline.
    ready = threading.Thread(target=load_compiled, daemon=True)
    while True:
        request = requests.get()
        line = _Line(answers, int(request["number"]))
        _one(work, root, request, line)
        if ready.ident is None:
            ready.start()


def _listen(requests: SimpleQueue[dict[str, Any]]) -> None:
    for text in sys.stdin:
        requests.put(json.loads(text))
    if hasattr(os, "killpg") and os.getpgid(0) == os.getpid():
        os.killpg(os.getpid(), signal.SIGKILL)  # and whatever it started
    os._exit(0)


def _one(work: Work, root: Path, request: Mapping[str, Any], line: _Line) -> None:
    commands: Mapping[str, Callable[[Mapping[str, Any], Callable[[str, int, int], None]], Answer]] = {
        "glance": work.glance,
        "look": work.look,
        "candidates": work.candidates,
        "outline": work.outline,
        "measure": work.measure,
        "biopsy": work.biopsy,
    }
    try:
        check_links(root, work.case.folder)
        line.done(commands[request["do"]](request, line.step))
    except LesionNeeded as error:
        line.failed(str(error), "LesionNeeded", {"candidates": work.keep_candidates(error.candidates)})
    except MineralizeError as error:
        line.failed(str(error), type(error).__name__)
    except MemoryError:
        line.failed("there is not enough memory for this case; close other programs and try again", "MemoryError")
    except Exception as error:
        # The message may quote what was read; the place in the program may not.
        places = traceback.extract_tb(error.__traceback__)
        print(f"mineralize: fault {type(error).__name__} at {_place(places)}", file=sys.stderr)
        line.failed(f"an unexpected fault ({type(error).__name__}); summarise says more on the command line", "fault")


def _place(places: traceback.StackSummary) -> str:
    return " < ".join(f"{Path(p.filename).name}:{p.lineno} {p.name}" for p in list(places)[:-6:-1])


if __name__ == "__main__":
    main()
