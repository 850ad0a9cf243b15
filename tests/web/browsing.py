"""A real browser for the tests: the one that is installed, never one that is downloaded."""

from __future__ import annotations

import contextlib
import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

NAMES = ("chromium", "chromium-browser", "google-chrome")
AXE = "MINERALIZE_AXE"
"""Names the file ``axe.min.js`` of the package axe-core, where it lies elsewhere than beside these tests."""


def chromium() -> str:
    """Path of the browser; the test is skipped, and says so, where there is none."""
    found = os.environ.get("MINERALIZE_CHROMIUM") or next((p for n in NAMES if (p := shutil.which(n))), "")
    if not found:
        pytest.skip(
            "no Chromium is installed (Debian: apt-get install chromium), so the page was not tried in a browser"
        )
    return found


def axe() -> str:
    """The text of axe-core; the test is skipped, and says so, where it is not installed."""
    place = os.environ.get(AXE) or str(Path(__file__).parent / "node_modules" / "axe-core" / "axe.min.js")
    if not Path(place).is_file():
        pytest.skip("axe-core is not installed (npm ci --prefix tests/web), so accessibility was not checked")
    return Path(place).read_text(encoding="utf-8")


@contextlib.contextmanager
def browser() -> Iterator[Any]:
    """A headless browser without a GPU."""
    from playwright.sync_api import sync_playwright

    path = chromium()
    with sync_playwright() as started:
        shown = started.chromium.launch(executable_path=path, args=["--no-sandbox", "--disable-gpu"])
        yield shown
        shown.close()


@contextlib.contextmanager
def tab(shown: Any, width: int = 1440, height: int = 1000, **more: Any) -> Iterator[Any]:
    """A page of its own; what its console or its scripts complain of fails the test."""
    context = shown.new_context(viewport={"width": width, "height": height}, **more)
    page = context.new_page()
    faults: list[str] = []
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.on("console", lambda m: faults.append(m.text) if m.type == "error" and "status of" not in m.text else None)
    page.on(
        "request", lambda r: None if r.url.startswith(("http://127.0.0.1", "data:", "blob:")) else faults.append(r.url)
    )
    yield page
    context.close()
    assert not faults, faults
