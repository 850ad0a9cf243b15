"""The page's own code held against its types by TypeScript's checker, from the comments in it."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

HERE = Path(__file__).parent


def test_the_page_s_own_code_is_well_typed() -> None:
    checker, node = HERE / "node_modules" / "typescript" / "bin" / "tsc", shutil.which("node")
    if node is None or not checker.is_file():
        pytest.skip(
            "TypeScript is not installed (npm install --prefix tests/web), so the page's types were not checked"
        )
    done = subprocess.run([node, str(checker), "-p", str(HERE / "jsconfig.json")], capture_output=True, text=True)
    assert done.returncode == 0, done.stdout
