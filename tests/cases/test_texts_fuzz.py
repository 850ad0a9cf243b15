"""A short seeded run over every text file and archive that is read: a value, or one sentence of our own."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

SCRIPT = Path(__file__).parents[2] / "scripts" / "fuzz_texts"


def test_damaged_text_files_end_in_a_value_or_our_own_sentence() -> None:
    done = subprocess.run(
        [sys.executable, str(SCRIPT), "--count", "400", "--seed", "11"],
        capture_output=True,
        text=True,
        env=os.environ | {"OMP_NUM_THREADS": "1"},
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "nothing but values and our own sentences" in done.stdout
