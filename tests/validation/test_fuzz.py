"""Short seeded runs of the fuzzing scripts: every damaged file ends in a value or in our own error."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

SCRIPTS = Path(__file__).parents[2] / "scripts"


@pytest.mark.parametrize(
    ("script", "count", "promise"),
    [
        ("fuzz_dicom", "200", "nothing but values and our own errors"),
        ("fuzz_texts", "400", "nothing but values and our own sentences"),
    ],
)
def test_damaged_files_end_in_a_value_or_our_own_error(script: str, count: str, promise: str) -> None:
    done = subprocess.run(
        [sys.executable, str(SCRIPTS / script), "--count", count, "--seed", "11"],
        capture_output=True,
        text=True,
        env=os.environ | {"OMP_NUM_THREADS": "1"},
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert promise in done.stdout
