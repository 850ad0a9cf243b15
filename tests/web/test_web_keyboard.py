"""The whole job by keyboard alone, on one scan: no mouse is touched."""

from __future__ import annotations

import io
import re
import tomllib
import zipfile
from pathlib import Path
from typing import Any

import pytest
from browsing import browser, tab
from test_web_whole_job import LONG, idle, zipped_phantom
from web_factory import serving

MOST_TABS = 90
NAME = """() => { const e = document.activeElement; if (!e || e === document.body) return '';
  const label = e.getAttribute('aria-label') || (e.labels && e.labels.length ? e.labels[0].textContent : '');
  return (label || e.textContent || '').trim(); }"""


def tab_to(page: Any, name: str) -> None:
    """Press Tab until what has the focus is called so; what is reached must be seen to have the focus."""
    for _ in range(MOST_TABS):
        page.keyboard.press("Tab")
        if re.match(name, page.evaluate(NAME)):
            style = page.evaluate("() => getComputedStyle(document.activeElement).outlineStyle")
            assert style != "none", f"{name} does not show that it has the focus"
            return
    raise AssertionError(f"{name} is not reached by Tab")


@pytest.mark.slow
def test_the_whole_job_by_keyboard_alone(tmp_path: Path) -> None:
    archive = tmp_path / "scan.zip"
    zipped_phantom(archive, scans=(4,))
    root = tmp_path / "root"
    root.mkdir()
    with serving(root) as server, browser() as shown, tab(shown, accept_downloads=True) as page:
        # The browser is told to hand file choosers over without waiting for its answer: early, so that none is missed.
        page.on("filechooser", lambda chooser: None)
        page.goto(server.address)
        page.get_by_role("button", name="Choose files or a zip").wait_for()
        tab_to(page, "Name of the case")
        page.keyboard.type("KEY-1")
        tab_to(page, "Choose files or a zip")
        with page.expect_file_chooser(timeout=LONG) as chooser:
            page.keyboard.press("Space")
        chooser.value.set_files(str(archive))
        page.get_by_role("heading", name="KEY-1").wait_for(timeout=LONG)
        page.get_by_role("button", name=re.compile("Candidate 1")).wait_for(timeout=LONG)
        idle(page)
        tab_to(page, "Candidate 1")
        page.keyboard.press("Enter")
        page.get_by_text("First outline").wait_for(timeout=LONG)
        idle(page)
        folder = root / "case-001"
        seed = tomllib.loads((folder / "case.toml").read_text())["lesion"]["seed"]

        tab_to(page, "Point at the lesion")
        page.keyboard.press("Enter")
        tab_to(page, "Scan 1, ")
        page.keyboard.press("ArrowRight")
        page.keyboard.press("ArrowDown")
        page.keyboard.press("Enter")
        page.wait_for_function("() => document.querySelector('.job')?.hidden === false", timeout=LONG)
        idle(page)
        moved = tomllib.loads((folder / "case.toml").read_text())["lesion"]["seed"]
        away = [abs(a - b) for a, b in zip(seed, moved, strict=True)]
        assert max(away) < 12, "the ring begins in the middle of the lesion"
        assert moved != seed

        tab_to(page, "Measure")
        page.keyboard.press("Enter")
        page.get_by_role("region", name="Table of quantities").wait_for(timeout=LONG)
        tab_to(page, "Mark the biopsy")
        page.keyboard.press("Space")
        tab_to(page, "Scan 1, ")
        for _ in range(4):
            page.keyboard.press("Shift+ArrowLeft")
        page.keyboard.press("Enter")
        for _ in range(4):
            page.keyboard.press("Shift+ArrowRight")
        page.keyboard.press("Enter")
        page.get_by_text("Depth below the outline").wait_for(timeout=LONG)

        tab_to(page, "Record the impression")
        page.keyboard.press("Enter")
        page.get_by_label("Remarks").wait_for()
        tab_to(page, "Remarks")
        page.keyboard.type("woven bone outside")
        tab_to(page, "Record it")
        page.keyboard.press("Enter")
        page.get_by_text("after the findings were opened").wait_for(timeout=LONG)

        tab_to(page, "Make the summary")
        page.keyboard.press("Enter")
        page.get_by_role("heading", name="The summary").wait_for()
        tab_to(page, "Everything in one zip")
        with page.expect_download() as coming:
            page.keyboard.press("Enter")
        names = zipfile.ZipFile(io.BytesIO(Path(coming.value.path()).read_bytes())).namelist()
        assert "summary.pdf" in names
