"""The page in a real browser: what is on the first screen, nothing cut at three widths, axe-core, pages of print."""

from __future__ import annotations

import io
import json
import sys
from pathlib import Path
from typing import Any

import pytest
import study_factory
from pypdf import PdfReader

from mineralize.figures import pictures as figures
from mineralize.page import html as page
from mineralize.results import record, views

sys.path.insert(0, str(Path(__file__).parents[1] / "web"))
from browsing import axe, browser, tab

TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
FIRST_SCREEN = (1280, 900)
PRINTED_PAGES = 5
DRAWN = b'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 900 300"><path d="M0 0h900v300z"/></svg>'
"""Stands for every plot: what matters here is the room they take and how they are named."""


def made(study: Any) -> str:
    layout = views.plan(study)
    document = json.loads(record.dumps(record.history(study, layout)))
    shown = (
        {p.name: tuple(views.view(study, layout, p, s.number, 48) for s in study.timeline.scans) for p in layout.planes}
        if layout
        else {}
    )
    drawn = {f"{name}.svg": DRAWN for name in ("course", "profile", "rim", "change")}
    return page.render(document, figures.Pictures(drawn, shown, change_scans=(1, len(study.timeline.scans))))


@pytest.fixture(scope="module")
def pages() -> dict[str, str]:
    return {
        "whole": made(study_factory.study()),
        "withheld": made(study_factory.study(untrusted=5, missing=2, unresolved=4)),
    }


@pytest.fixture(scope="module")
def shown() -> Any:
    with browser() as started:
        yield started


@pytest.mark.parametrize("name", ["whole", "withheld"])
def test_answers_and_pictures_are_on_the_first_screen(name: str, pages: dict[str, str], shown: Any) -> None:
    width, height = FIRST_SCREEN
    with tab(shown, width, height, bypass_csp=True) as view:
        view.set_content(pages[name])
        for choice in ("#answers", ".planes.mineral", ".planes.soft"):
            box = view.locator(choice).first.bounding_box()
            assert box is not None
            assert box["y"] >= 0
            assert box["y"] + box["height"] <= height, choice
        assert view.locator("#answers dt").count() == 5
        order = view.evaluate("[...document.querySelectorAll('main > *')].map(e => e.id || e.tagName)")
        assert order[:2] == ["answers", "planes"]  # no list of links, card or table before them


@pytest.mark.parametrize("width", [390, 820, 1280])
def test_nothing_is_cut_sideways(width: int, pages: dict[str, str], shown: Any) -> None:
    for text in pages.values():
        with tab(shown, width, 900, bypass_csp=True) as view:
            view.set_content(text)
            wide = view.evaluate("document.documentElement.scrollWidth")
            assert wide <= width


@pytest.mark.parametrize("name", ["whole", "withheld"])
def test_axe_finds_no_violation(name: str, pages: dict[str, str], shown: Any) -> None:
    source = axe()
    with tab(shown, 1280, 900, bypass_csp=True) as view:
        view.set_content(pages[name])
        view.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
        view.evaluate(source)
        found = view.evaluate("tags => axe.run(document, {runOnly: tags})", TAGS)
        assert [(v["id"], [n["html"][:120] for n in v["nodes"]][:3]) for v in found["violations"]] == []


def test_the_switch_changes_which_pictures_carry_the_outline(pages: dict[str, str], shown: Any) -> None:
    with tab(shown, *FIRST_SCREEN, bypass_csp=True) as view:
        view.set_content(pages["whole"])

        def seen() -> list[bool]:
            return [
                view.evaluate(f"getComputedStyle(document.querySelector('{row} .marks')).display") != "none"
                for row in (".planes.mineral", ".planes.soft")
            ]

        assert seen() == [True, False]
        view.check("[value=none]")
        assert seen() == [False, False]
        view.check("[value=both]")
        assert seen() == [True, True]
        view.emulate_media(media="print")
        assert seen() == [True, True]


@pytest.mark.parametrize("name", ["whole", "withheld"])
def test_the_browser_prints_few_pages(name: str, pages: dict[str, str], shown: Any) -> None:
    with tab(shown, *FIRST_SCREEN, bypass_csp=True) as view:
        view.set_content(pages[name])
        data = view.pdf(prefer_css_page_size=True, print_background=True)
    assert len(PdfReader(io.BytesIO(data)).pages) <= PRINTED_PAGES
