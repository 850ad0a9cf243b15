"""What the fuzzing scripts share: damaged cases one by one in a child process, bounded in time and memory, and counted.

The child prints a line of JSON per case. Where it dies, that is a crash, and another goes on behind it.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import signal
import subprocess
import sys
import time
import traceback
from collections import Counter
from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import Any

SECONDS = 10.0
"""Processor time of a case with that of its children."""
CLOCK_SECONDS = 180.0
"""A case may take so long on a machine that is busy with other things."""
GIBIBYTES = 3
OFTEN = 2000
"""Files after which the parent says how far it is."""


class Late(BaseException):
    """The time allowed is over; no handler of ours or of a library may swallow it."""


def raised(error: BaseException) -> tuple[str, str]:
    """(outcome, detail) of what is neither a value nor an error of our own."""
    if isinstance(error, Late):
        used = resource.getrusage(resource.RUSAGE_SELF).ru_utime
        return "hang", f"after {used:.1f} s of the processor since the start\n{traceback.format_exc()[-900:]}"
    return "traceback", f"{type(error).__name__} {traceback.format_exc()[-900:]}"


def run(
    script: str,
    about: str | None,
    count: int,
    promise: str,
    cases: Callable[[int], AbstractContextManager[Callable[[int], tuple[str, int, str, str]]]],
) -> int:
    """The script: as the parent, or with ``--child`` as the process that reads.

    Parameters
    ----------
    script, about : the file to start again, and its help.
    count : damaged files by default.
    promise : what is printed where nothing but values and our own errors came.
    cases : given the seed, enters what reads a case by its number: (outcome, damaged files, kind, detail). Outcomes
        other than ``value`` and those that begin with ``our error`` are faults.
    """
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    parser = argparse.ArgumentParser(description=about, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=count, help="damaged files to read (default: %(default)s)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--child", nargs=2, type=int, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.child:
        with cases(given.seed) as read:
            _read(read, *given.child)
        return 0
    return _count(script, given.seed, given.count, promise)


def _processor_s() -> float:
    """Of this process and its children that have ended."""
    return sum(sum(resource.getrusage(who)[:2]) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))


def _read(read: Callable[[int], tuple[str, int, str, str]], start: int, files: int) -> None:
    """Cases from ``start`` until ``files`` are damaged."""
    resource.setrlimit(resource.RLIMIT_AS, (GIBIBYTES * 2**30, GIBIBYTES * 2**30))

    start_s = begun = 0.0

    def late(*_: Any) -> None:
        if _processor_s() - start_s > SECONDS or time.perf_counter() - begun > CLOCK_SECONDS:
            raise Late
        signal.setitimer(signal.ITIMER_REAL, 1.0)

    signal.signal(signal.SIGALRM, late)
    done, index = 0, start
    while done < files:
        begun, start_s = time.perf_counter(), _processor_s()
        signal.setitimer(signal.ITIMER_REAL, SECONDS)
        outcome, hit, kind, detail = read(index)
        signal.setitimer(signal.ITIMER_REAL, 0)
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
        print(json.dumps([index, outcome, hit, kind, detail, time.perf_counter() - begun, peak]), flush=True)
        done, index = done + hit, index + 1


def _count(script: str, seed: int, count: int, promise: str) -> int:
    tally: Counter[str] = Counter()
    kinds: Counter[str] = Counter()
    files, index, slowest, peak, told = 0, 0, 0.0, 0, 0
    while files < count:
        command = [sys.executable, script, "--seed", str(seed), "--child", str(index), str(count - files)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
            assert process.stdout is not None
            assert process.stderr is not None
            for line in process.stdout:
                number, outcome, hit, kind, detail, seconds, memory = json.loads(line)
                index, files = number + 1, files + hit
                tally[outcome] += hit
                kinds[kind] += hit
                slowest, peak = max(slowest, seconds), max(peak, memory)
                if detail:
                    print(f"case {number} ({kind}): {outcome} {detail}", file=sys.stderr)
                if files // OFTEN > told:
                    told = files // OFTEN
                    print(f"{files} files", file=sys.stderr)
            said = process.stderr.read()
        if process.returncode != 0:
            print(f"case {index}: child ended with {process.returncode}: {said[-500:]}", file=sys.stderr)
            tally["crash"] += 1
            index, files = index + 1, files + 1
            if not kinds:  # it does not start at all
                return 1
    listed = ", ".join(f"{n} {kind}" for kind, n in kinds.most_common())
    print(f"{files} damaged files in {index} cases, seed {seed}: {listed}")
    for outcome, number in tally.most_common():
        print(f"  {number:7d}  {outcome}")
    print(f"  slowest case {slowest:.2f} s, peak memory {peak} MiB")
    bad = sorted(outcome for outcome in tally if outcome != "value" and not outcome.startswith("our error"))
    print(promise if not bad else f"FAILED: {', '.join(bad)}")
    return int(bool(bad))
