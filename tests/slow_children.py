"""A child process that does something else than its job: which, the job says, or the environment."""

from __future__ import annotations

import os
import pickle
import signal
import sys
import time

from mineralize.dicom.children import bound


def main() -> None:
    if os.environ.get("SLOW_CHILD") == "deaf":
        time.sleep(600)
    job = pickle.load(sys.stdin.buffer)
    way = os.environ.get("SLOW_CHILD") or job
    if way == "busy":
        bound(0.3)
        while True:
            pass
    if way == "stopped":
        os.kill(os.getpid(), signal.SIGSTOP)
    if way == "killed":
        os.kill(os.getpid(), signal.SIGKILL)
    if way == "asleep":
        time.sleep(600)
    if way == "half an answer":
        sys.stdout.buffer.write(b"\0" * 7)
    if way == "silent but alive":
        os.close(1)
        time.sleep(600)
