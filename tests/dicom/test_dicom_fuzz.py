"""A short seeded run of the fuzzing script: every damaged file ends in a value or in our own error."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

SCRIPT = Path(__file__).parents[2] / "scripts" / "fuzz_dicom"


def test_damaged_files_end_in_a_value_or_our_own_error() -> None:
    done = subprocess.run(
        [sys.executable, str(SCRIPT), "--count", "200", "--seed", "11"],
        capture_output=True,
        text=True,
        env=os.environ | {"OMP_NUM_THREADS": "1"},
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "nothing but values and our own errors" in done.stdout
