"""What is done about memory that nobody uses, looked at in processes of its own: it concerns a whole process."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest


def said(code: str, **environment: str) -> str:
    return subprocess.run(
        [sys.executable, "-c", code], env=os.environ | environment, stdout=subprocess.PIPE, check=True, text=True
    ).stdout


def test_a_process_that_ends_does_not_look_through_what_it_holds() -> None:
    """What is registered first is called last (library reference, atexit)."""
    code = """
import atexit, gc
atexit.register(lambda: print(gc.isenabled(), gc.get_freeze_count() > 1000, flush=True))
from mineralize.base import collect_seldom
{}
"""
    assert said(code.format("collect_seldom(); collect_seldom()")) == "False True\n"
    assert said(code.format("")) == "True False\n"


@pytest.mark.skipif(sys.platform != "linux", reason="the C library of Linux is told")
def test_a_worker_keeps_the_pages_of_arrays_that_come_and_go() -> None:
    """Each of 200 arrays of 4 MiB is 1024 pages of 4 KiB, unless one takes the pages of the one before.

    With MALLOC_TRIM_THRESHOLD_ set the threshold from which on memory is mapped stays at 128 KiB (mallopt(3)).
    """
    code = """
import resource
import numpy as np
from mineralize.base import keep_freed
{}
before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
for _ in range(200):
    np.ones(2**19)
print(resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before)
"""
    trimmed, kept = (
        int(said(code.format(call), MALLOC_TRIM_THRESHOLD_="65536", NUMPY_MADVISE_HUGEPAGE="0"))
        for call in ("", "keep_freed()")
    )
    assert trimmed > 100_000
    assert kept < trimmed / 10
