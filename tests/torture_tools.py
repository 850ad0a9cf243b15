"""Processes that are forked, killed and looked after, and folders as bytes: what ``scripts/torture`` works with."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import sys
import time
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Any

import torture_stand_in as stand_in

from mineralize.base import MineralizeError

EVENTS = {"os.rename", "os.remove", "os.rmdir", "os.mkdir", "os.link", "open"}
"""Where the chosen moments lie: at every step that changes the disk (audit events of the interpreter)."""
BROKEN = 70
"""Exit code of a job that ended by an exception which is not ours."""
Files = dict[str, bytes]
Job = Callable[[], Any]


def files(folder: Path) -> Files:
    """All files below a folder but those of a run under way."""
    if not folder.is_dir():
        return {}
    found = {p.relative_to(folder).as_posix(): p for p in sorted(folder.rglob("*")) if p.is_file()}
    return {name: p.read_bytes() for name, p in found.items() if ".mineralize-" not in name}


def without_secret(out: Path) -> Files:
    """Results without the marker of the whole folder, which may hold a secret drawn anew for every folder."""
    return {name: data for name, data in files(out).items() if name != ".mineralize"}


def batch_states(out: Path) -> list[dict[str, Any]]:
    """What a batch remembers of its cases, those that have ended."""
    found = [json.loads(path.read_text(encoding="utf-8")) for path in (out / ".mineralize-cases").glob("*.json")]
    return [state for state in found if state["report"]]


def left_over(work: Path) -> list[str]:
    """Hidden names that no finished run leaves."""
    left = [p.name for p in work.rglob(".*") if p.name not in stand_in.LASTING | {".mineralize"}]
    left += [p.name for p in work.rglob("*.new")]
    return sorted({name for name in left if name.startswith(".mineralize-") or name.endswith(".new")})


def forked(job: Job, said: Path | None = None) -> int:
    """The number of a process that does the job and ends, like the command line: 4 and a sentence for our own errors.

    What it says on standard error goes to the file ``said``, which lies open before the job begins.
    """
    process = os.fork()
    if process:
        return process
    code = BROKEN
    try:
        os.setpgid(0, 0)
        null = os.open(os.devnull, os.O_RDWR)
        for stream in (0, 1, 2):
            os.dup2(null, stream)
        if said is not None:
            os.dup2(os.open(said, os.O_CREAT | os.O_WRONLY | os.O_APPEND, 0o600), 2)
        job()
        code = 0
    except SystemExit as stop:
        code = stop.code if isinstance(stop.code, int) else BROKEN
    except MineralizeError as error:
        os.write(2, f"mineralize: {error}\n".encode())
        code = 4
    except BaseException:
        os.write(2, traceback.format_exc().encode())
    finally:
        with contextlib.suppress(Exception):
            sys.stderr.flush()
        os._exit(code)


def finished(process: int) -> int:
    """The exit code, or minus the signal. Where this process is told to end, the other ends first."""
    try:
        return os.waitstatus_to_exitcode(os.waitpid(process, 0)[1])
    except BaseException:
        with contextlib.suppress(OSError):
            os.kill(process, signal.SIGKILL)
            os.waitpid(process, 0)
        raise


def sentence_missing(code: int, said: Path) -> str:
    """What is wrong with how a job ended: done and silent, or refused in one sentence, is how it should."""
    text = said.read_text(encoding="utf-8", errors="replace") if said.exists() else ""
    if code == 0:
        return ""
    if code != 4:
        return f"ends with {code}: {text[-300:]!r}"
    if "Traceback" in text or len(text.splitlines()) != 1:
        return f"not one sentence: {text[-300:]!r}"
    return ""


def dying_at(step: int, job: Job) -> Job:
    """The job, killed right before its step-th change to the disk."""

    def run() -> None:
        left = step

        def look(event: str, given: tuple[Any, ...]) -> None:
            nonlocal left
            if event in EVENTS or (event == "ctypes.dlsym" and given[-1] == "renameat2"):
                if event == "open" and not isinstance(given[2], int):
                    return
                if event == "open" and not given[2] & (os.O_WRONLY | os.O_RDWR | os.O_CREAT):
                    return
                if left == 0:
                    os.kill(os.getpid(), signal.SIGKILL)
                left -= 1

        sys.addaudithook(look)
        job()

    return run


def descendants(process: int) -> set[int]:
    """All processes below one."""
    parents: dict[int, int] = {}
    for path in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError, ValueError):
            parents[int(path.parent.name)] = int(path.read_text().rpartition(")")[2].split()[1])
    found: set[int] = set()
    while more := {child for child, parent in parents.items() if parent in found | {process}} - found:
        found |= more
    return found


def alive_after(processes: set[int], seconds: float) -> bool:
    """Whether one of these processes still runs after that long; a dead one nobody has waited for does not."""

    def runs(process: int) -> bool:
        with contextlib.suppress(OSError):
            return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
        return False

    end = time.monotonic() + seconds
    while left := {process for process in processes if runs(process)}:
        if time.monotonic() > end:
            return bool(left)
        time.sleep(0.02)
    return False
