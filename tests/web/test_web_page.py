"""The page itself in a real browser: accessible in every state, quick, safe with two tabs, at every width."""

from __future__ import annotations

import json
import os
import re
import time
from collections.abc import Iterator
from typing import Any

import pytest
from browsing import axe, browser, tab
from web_factory import Page, made_up_case, measured, page

TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
WIDTHS = ((1024, 800), (1440, 1000), (1920, 1080))
SHOTS = os.environ.get("MINERALIZE_SHOTS", "")
"""A folder for pictures of every state, to be looked at."""


@pytest.fixture(scope="module")
def shown() -> Iterator[Any]:
    with browser() as held:
        yield held


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Page]:
    """Cases in every state: measured with one scan apart, in want of a point, covered, not usable."""
    root = tmp_path_factory.mktemp("root")
    measured(made_up_case(root, "A-measured"), untrusted=4)
    made_up_case(root, "B-pointless", seed=False)
    measured(made_up_case(root, "C-covered"), sealed=True)
    (root / "folder-D").mkdir()
    (root / "folder-D" / "case.toml").write_text('alias = "D-<b>bad</b>"\n')
    with page(root) as held:
        yield held


def entered(page_: Any, served: Page, alias: str = "") -> None:
    page_.goto(served.keys.address)
    page_.get_by_role("link", name="A-measured").wait_for()
    if alias:
        page_.get_by_role("link", name=alias).click()
        page_.get_by_role("heading", name=alias, level=1).wait_for()


def settled(page_: Any) -> None:
    page_.wait_for_function(
        "() => !document.querySelector('.frame.empty') && document.querySelector('.pictures')?.dataset.drawn > 0"
    )
    page_.get_by_role("region", name="Table of quantities").wait_for()
    page_.get_by_text("The outline unwrapped").wait_for()


def checked(page_: Any, name: str, rules: dict[str, Any] | None = None) -> None:
    """No violation by axe-core of these rules, or of all; a picture of the state where one is wanted."""
    if SHOTS:
        page_.screenshot(path=f"{SHOTS}/{name}.png", full_page=False)
    page_.evaluate(axe())
    found = page_.evaluate("only => axe.run(document, {runOnly: only, resultTypes: ['violations']})", rules or TAGS)
    said = [(v["id"], v["help"], [n["html"][:160] for n in v["nodes"][:3]]) for v in found["violations"]]
    assert not said, json.dumps(said, indent=1)


@pytest.mark.parametrize("room", ["light", "dark"])
def test_no_state_of_the_page_is_a_barrier(shown: Any, served: Page, room: str) -> None:
    """By every rule in the light; in the dark nothing but colours is another."""
    axe()
    rules = {"type": "rule", "values": ["color-contrast", "link-in-text-block"]} if room == "dark" else None
    with tab(shown, color_scheme=room, bypass_csp=True) as p:
        entered(p, served)
        p.get_by_text("cannot be used").or_(p.get_by_text("not looked at yet")).first.wait_for()
        checked(p, f"list-{room}", rules)
        entered(p, served, "A-measured")
        settled(p)
        checked(p, f"measured-{room}", rules)
        p.get_by_label("Zones").check()
        p.get_by_label("From the front").check()
        p.get_by_role("button", name="Correct the outline").click()
        p.get_by_role("button", name="Draw a contour").click()
        checked(p, f"correcting-{room}", rules)
        p.get_by_role("button", name="Mark the biopsy").click()
        checked(p, f"biopsy-{room}", rules)
        p.get_by_role("button", name="Mark the biopsy").click()
        p.get_by_role("button", name="Make the summary").click()
        p.get_by_role("heading", name="The summary").wait_for()
        p.get_by_role("button", name="Record the impression").click()
        p.get_by_label("Remarks").wait_for()
        p.get_by_role("button", name="Add a test").click()
        checked(p, f"impression-{room}", rules)
        entered(p, served, "B-pointless")
        p.get_by_role("heading", name="Which of these is the lesion?").wait_for()
        p.wait_for_timeout(400)
        p.get_by_role("button", name="Make the summary").click()
        p.get_by_role("alert").get_by_text("Measure first").wait_for()
        checked(p, f"candidates-{room}", rules)
        entered(p, served, "C-covered")
        p.get_by_text("What imaging says is covered").wait_for()
        checked(p, f"covered-{room}", rules)


@pytest.mark.parametrize(("width", "height"), [*WIDTHS, (720, 500)])
def test_nothing_runs_over_the_side(shown: Any, served: Page, width: int, height: int) -> None:
    """From 1024 px up; 720 px stands for 1440 px at 200 % zoom."""
    with tab(shown, width, height) as p:
        for alias in ("A-measured", "B-pointless", "C-covered"):
            entered(p, served, alias)
            if alias == "A-measured":
                settled(p)
            p.wait_for_timeout(300)
            if SHOTS:
                p.screenshot(path=f"{SHOTS}/{alias}-{width}.png", full_page=True)
            over = p.evaluate("() => document.documentElement.scrollWidth - document.documentElement.clientWidth")
            assert over <= 0, (alias, over)
        if SHOTS and width == 1440:
            entered(p, served, "A-measured")
            settled(p)
            p.pdf(path=f"{SHOTS}/print.pdf", prefer_css_page_size=True, print_background=True)


def test_scans_move_together_except_the_one_that_is_not_lined_up(shown: Any, served: Page) -> None:
    with tab(shown) as p:
        entered(p, served, "A-measured")
        settled(p)
        frames = p.get_by_role("slider", name=re.compile("position of the picture"))
        frames.nth(1).hover()
        for _ in range(3):
            p.mouse.wheel(0, -100)
        p.wait_for_timeout(200)
        assert [frames.nth(n).get_attribute("aria-valuenow") for n in range(5)] == ["3", "3", "3", "0", "3"]
        assert "3 mm towards the head" in frames.nth(0).get_attribute("aria-valuetext")
        p.get_by_text("Not lined up, shown by itself").wait_for()
        frames.nth(3).focus()
        p.keyboard.press("PageDown")
        p.keyboard.press("ArrowUp")
        p.wait_for_timeout(200)
        assert [frames.nth(n).get_attribute("aria-valuenow") for n in range(5)] == ["3", "3", "3", "-9", "3"]


def test_pictures_show_the_voxels_of_the_scan(shown: Any, served: Page) -> None:
    """The middle of the picture is the grey of the made-up core, as window and HU demand."""
    with tab(shown) as p:
        entered(p, served, "A-measured")
        settled(p)
        p.get_by_label("Outline", exact=True).uncheck()
        p.get_by_label("Soft tissue").check()
        p.wait_for_timeout(300)
        code = """() => [...document.querySelectorAll('.frame canvas')].map(c => {
            const d = c.getContext('2d').getImageData(c.width / 2 + 4, c.height / 2 + 4, 1, 1).data; return d[0]; })"""
        greys = p.evaluate(code)
        for grey, hu in zip(greys, (42.0, 40.0, 35.0, 5.0, -60.0), strict=True):
            expected = max(0.0, min(255.0, (hu + 60) * 255 / 200))
            assert abs(grey - expected) < 30, (greys, hu)


def test_a_place_on_the_rim_is_shown_in_the_pictures(shown: Any, served: Page) -> None:
    with tab(shown) as p:
        entered(p, served, "A-measured")
        settled(p)
        maps = p.get_by_role("slider", name=re.compile("place on the map"))
        assert maps.nth(0).get_attribute("aria-valuetext") == "no place chosen"
        maps.nth(2).focus()
        for _ in range(6):
            p.keyboard.press("ArrowUp")
        p.wait_for_timeout(200)
        assert "HU" in maps.nth(0).get_attribute("aria-valuetext")
        moved = p.get_by_role("slider", name=re.compile("Scan 3, .*position")).get_attribute("aria-valuenow")
        assert int(moved) > 3


def test_two_tabs_and_a_clear_message(shown: Any, served: Page) -> None:
    with tab(shown) as one, tab(shown) as two:
        for p in (one, two):
            entered(p, served, "A-measured")
            settled(p)
        for p, day in ((one, "300"), (two, "301")):
            p.get_by_text("Add an event to the time line").click()
            p.get_by_label("Day, counted from day zero").fill(day)
        one.get_by_role("button", name="Add the event").click()
        one.get_by_role("button", name=re.compile("Remove Event 1")).wait_for()
        two.get_by_role("button", name="Add the event").click()
        two.get_by_role("alert").get_by_text("changed elsewhere").wait_for()
        two.get_by_role("button", name=re.compile("Remove Event 1")).wait_for()
        one.get_by_role("button", name="Undo").click()
        one.get_by_role("button", name=re.compile("Remove Event 1")).wait_for(state="detached")


def test_a_message_is_read_and_then_makes_room(shown: Any, served: Page) -> None:
    with tab(shown) as p:
        entered(p, served)
        p.evaluate("async () => (await import('/static/dom.js')).say('The margin is set here.')")
        message = p.get_by_text("The margin is set here.")
        p.keyboard.press("Tab")
        assert message.is_visible(), "gone before anybody can have read it"
        p.wait_for_timeout(2700)
        assert message.is_visible(), "gone although the person did nothing yet"
        p.keyboard.press("Tab")
        message.wait_for(state="detached")


def test_a_picture_comes_and_the_wheel_draws_more(shown: Any, served: Page) -> None:
    """What it took is printed, not judged: the targets, 1 s and 30 pictures a second, are for an idle machine."""
    with tab(shown) as p:
        entered(p, served)
        begun = time.monotonic()
        p.get_by_role("link", name="A-measured").click()
        p.wait_for_function("() => document.querySelector('.frame:not(.empty)')")
        first = time.monotonic() - begun
        settled(p)
        code = """async () => { const f = document.querySelector('.frame');
            const strip = document.querySelector('.pictures');
            const before = Number(strip.dataset.drawn), start = performance.now();
            for (let n = 0; performance.now() - start < 2000; n++) {
              const by = {deltaY: n % 40 < 20 ? 100 : -100, cancelable: true, bubbles: true};
              f.dispatchEvent(new WheelEvent('wheel', by));
              await new Promise(requestAnimationFrame); }
            return (Number(strip.dataset.drawn) - before) / ((performance.now() - start) / 1000); }"""
        rate = p.evaluate(code)
        print(f"first picture after {first:.2f} s, {rate:.0f} pictures a second with 5 scans")
        assert rate > 0


def test_what_a_person_typed_stays_text(shown: Any, served: Page) -> None:
    with tab(shown) as p:
        entered(p, served)
        p.get_by_text("D-<b>bad</b>").wait_for()
        assert p.locator("b", has_text="bad").count() == 0
