"""The whole job in a real browser: drop in, point, outline, correct, measure covered, impression, biopsy, summary."""

from __future__ import annotations

import io
import re
import tomllib
import zipfile
from pathlib import Path
from typing import Any

import pytest
from browsing import browser, tab
from web_factory import serving

from mineralize import cases
from mineralize.cases import Request
from mineralize.results import record, tables
from phantoms import load_history
from phantoms.files import write_series

LONG = 300_000
"""Milliseconds that a computation may take on a busy machine."""


def zipped_phantom(path: Path, scans: tuple[int, ...] = (2, 4)) -> None:
    """Two scans of the demo history as one archive, as they come from an archive: names say nothing."""
    history = load_history("demo", 0).resized(matrix=144, slices=64)
    with zipfile.ZipFile(path, "w") as made:
        for i in scans:
            folder = path.parent / f"scan{i}"
            shown = history.render(i)
            write_series(folder, history, i, shown, 2, "Axial")
            for file in sorted(folder.iterdir()):
                made.write(file, f"some/where/{i}/{file.name}")


def click_at(page: Any, scan: int, x: float, y: float) -> None:
    """Click a place of a scan's picture, as shares of its width."""
    frame = page.get_by_role("slider", name=re.compile(f"Scan {scan}, .*position"))
    frame.scroll_into_view_if_needed()
    box = frame.bounding_box()
    page.mouse.click(box["x"] + x * box["width"], box["y"] + y * box["height"])


def idle(page: Any) -> None:
    page.wait_for_function("() => document.querySelector('.job')?.hidden !== false", timeout=LONG)


@pytest.mark.slow
def test_the_whole_job_in_a_browser(tmp_path: Path) -> None:
    archive = tmp_path / "scans.zip"
    zipped_phantom(archive)
    root = tmp_path / "root"
    root.mkdir()
    with serving(root) as server, browser() as shown, tab(shown, accept_downloads=True) as page:
        page.goto(server.address)
        assert "token" not in page.url
        page.get_by_label("Name of the case").fill("T-001")
        page.locator("input[type=file]").nth(1).set_input_files(str(archive))
        page.get_by_role("heading", name="T-001").wait_for(timeout=LONG)

        page.locator(".frame:not(.empty)").first.wait_for(timeout=LONG)
        page.get_by_role("button", name=re.compile("Candidate 1")).click(timeout=LONG)
        page.get_by_text("First outline").wait_for(timeout=LONG)
        folder = next(p for p in root.iterdir() if p.name.startswith("case-"))
        lesion = tomllib.loads((folder / "case.toml").read_text())["lesion"]

        idle(page)
        page.get_by_role("button", name="Point at the lesion").click()
        click_at(page, lesion["scan"], 0.505, 0.5)
        page.wait_for_function("() => document.querySelector('.job')?.hidden === false", timeout=LONG)
        idle(page)

        page.get_by_role("button", name="Correct the outline").click()
        page.get_by_role("button", name="The margin runs here").click()
        click_at(page, lesion["scan"], 0.62, 0.5)
        page.get_by_role("button", name="Remove Margin 1").wait_for(timeout=LONG)
        marked = tomllib.loads((folder / "case.toml").read_text())
        assert len(marked["margin"]) == 1
        assert marked["margin"][0]["scan"] == lesion["scan"]
        page.get_by_role("button", name="Undo").click()
        page.get_by_role("button", name="Remove Margin 1").wait_for(state="detached", timeout=LONG)
        assert "margin" not in tomllib.loads((folder / "case.toml").read_text())

        page.get_by_label("slides first").check()
        page.get_by_role("button", name="Measure").click()
        page.get_by_text("What imaging says is covered").wait_for(timeout=LONG)
        key = page.url.rsplit("/", 1)[1]
        for path in (
            "numbers",
            "kept/near-1.i16",
            "kept/outline-1.mesh",
            "rim/1",
            "export.zip",
            "results/history.json",
        ):
            assert page.request.get(f"{server.base}/api/cases/{key}/{path}").status == 403, path
        told = page.request.get(f"{server.base}/api/cases/{key}").json()
        assert not {"measured", "wholes", "first", "candidates", "given"} & set(told)
        assert page.locator("canvas").count() == 0 or not page.locator(".pictures").is_visible()

        page.get_by_role("button", name="Record the impression").click()
        page.get_by_label("Reader: a role or pseudonym, not a name").fill("pathologist 1")
        page.get_by_label("Remarks").fill("<img src=x onerror=alert(1)> woven bone outside")
        page.get_by_role("button", name="Record it").click()
        page.get_by_text("before the findings were opened").wait_for(timeout=LONG)
        page.get_by_role("region", name="Table of quantities").wait_for(timeout=LONG)
        assert page.get_by_text("<img src=x onerror=alert(1)> woven bone outside").count() >= 1
        assert page.get_by_role("region", name="Concordance table").is_visible()

        numbers = page.request.get(f"{server.base}/api/cases/{key}/results/measurements.csv").body()
        alone = cases.studied(cases.load(Request(folder)))
        assert numbers.decode() == tables.measurements(record.history(alone))

        page.get_by_role("button", name="Mark the biopsy").click()
        click_at(page, lesion["scan"], 0.9, 0.3)
        click_at(page, lesion["scan"], 0.5, 0.5)
        page.get_by_role("heading", name="Where the biopsy came from").wait_for(timeout=LONG)
        page.get_by_text("Depth below the outline").wait_for(timeout=LONG)
        assert len(tomllib.loads((folder / "case.toml").read_text())["biopsy"]) == 1

        page.get_by_role("button", name="Make the summary").click()
        with page.expect_download() as coming:
            page.get_by_role("link", name="Everything in one zip").click()
        names = zipfile.ZipFile(io.BytesIO(Path(coming.value.path()).read_bytes())).namelist()
        for name in ("summary.html", "summary.pdf", "measurements.csv", "case.toml", "impressions/impression-001.json"):
            assert name in names
        assert any(n.startswith("figures/") for n in names)
        assert any(n.startswith("dicom/") for n in names)
