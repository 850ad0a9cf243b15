"""A few moments of every kind of trouble that ``scripts/torture`` has; the script itself runs hundreds."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PARTS = (
    "summarise over",
    "impression",
    "writers",
    "full drive: summarise",
    "short files",
    "vanishing input: summarise",
)


@pytest.mark.slow
def test_old_or_new_and_whole_whatever_happens() -> None:
    command = [sys.executable, str(ROOT / "scripts" / "torture"), "--random", "2", "--no-chosen", "--parts", *PARTS]
    run = subprocess.run(command, capture_output=True, text=True)
    assert run.returncode == 0, run.stdout[-3000:] + run.stderr[-3000:]
    for part in PARTS:
        assert part in run.stdout
    assert run.stdout.splitlines()[-1] == "nothing lost, nothing left over"
