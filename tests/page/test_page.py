"""The page: every number from the record, every withheld value with its reason, sound HTML, no network, no names."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
import study_factory

from mineralize.base import neat
from mineralize.figures import pictures as figures
from mineralize.page import html as page
from mineralize.page.parts import cautions
from mineralize.results import Impression, Ticks, record, shown, texts, views
from mineralize.results.impression import record_impression

VOID = {"meta", "img", "br", "link", "input", "hr"}
EMPTY_SVG = {"image", "line", "polyline"}


class Reader(HTMLParser):
    """Text, tags, and numbers with their pointers; complains where tags do not nest."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[tuple[str, dict[str, str | None]]] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.pointed: list[tuple[str, str]] = []
        self.loose: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append((tag, dict(attrs)))

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"</{tag}> closes nothing"
        assert self.open[-1][0] == tag, f"</{tag}> closes <{self.open[-1][0]}>"
        self.open.pop()

    def handle_data(self, data: str) -> None:
        if any(tag in ("style", "title") for tag, _ in self.open) or not data.strip():
            return
        pointer = next((a["data-at"] for _, a in reversed(self.open) if "data-at" in a), None)
        if pointer is not None:
            self.pointed.append((pointer, data))
        else:
            self.loose.append(data)


def resolve(document: Any, pointer: str) -> Any:
    """RFC 6901 JSON Pointer."""
    for part in pointer.split("/")[1:]:
        document = document[int(part)] if isinstance(document, list) else document[part]
    return document


def plain(text: str) -> tuple[float, int]:
    """A shown number as float and its decimals."""
    text = text.replace(shown.THIN, "").replace(shown.MINUS, "-").replace("+", "")
    return float(text), len(text.partition(".")[2])


STUDIES = {
    "whole": study_factory.study(),
    "withheld": study_factory.study(untrusted=5, missing=2, unresolved=4),
    "early": study_factory.early(study_factory.study()),
}


@pytest.fixture(scope="module", params=STUDIES)
def made(request: Any) -> tuple[Any, str, Reader, Any]:
    study = STUDIES[request.param]
    layout = views.plan(study)
    document = json.loads(record.dumps(record.history(study, layout)))
    pictures = figures.Pictures(
        {"course.svg": b"<svg/>", "profile.svg": b"<svg/>"},
        {p.name: tuple(views.view(study, layout, p, s.number, 24) for s in study.timeline.scans) for p in layout.planes}
        if layout
        else {},
    )
    html = page.render(document, pictures)
    reader = Reader()
    reader.feed(html)
    reader.close()
    assert not reader.open
    return document, html, reader, study


def test_every_pointed_number_is_the_records(made: Any) -> None:
    """The text equals the record's number at that place, rounded to the decimals shown (percent for shares)."""
    document, _, reader, _ = made
    assert len(reader.pointed) > 50
    for pointer, text in reader.pointed:
        value = resolve(document, pointer)
        number, decimals = plain(text)
        scales = (1, 100, 1e-3) if pointer.startswith(("/measurements", "/changes")) else (1,)
        digits = f"{abs(number):.0f}"
        zeros = 0 if decimals else len(digits) - len(digits.rstrip("0"))
        place = 0.5 * 10.0 ** (zeros - decimals) * (1 + 1e-9)
        assert any(abs(number - scale * value) <= place for scale in scales), f"{text!r} is not {value} of {pointer}"


def test_every_loose_number_is_in_record_or_fixed_text(made: Any) -> None:
    """Numbers without a pointer are words of the record (reasons, findings), scan numbers, settings, or fixed text."""
    document, _, reader, _ = made
    known = set(re.findall(r"\d+(?:\.\d+)?", record.dumps(document)))
    known |= {f"{v:g}" for v in _numbers(document)}
    fixed = " ".join(str(value) for name, value in vars(texts).items() if name.isupper())
    known |= set(re.findall(r"\d+(?:\.\d+)?", fixed))
    for text in reader.loose:
        for token in re.findall(r"\d+(?:\.\d+)?", text):
            assert token in known, f"{token} in {text!r} is neither in the record nor in the fixed texts"


def _numbers(node: Any) -> list[float]:
    if isinstance(node, dict):
        return [n for value in node.values() for n in _numbers(value)]
    if isinstance(node, list):
        return [n for value in node for n in _numbers(value)]
    return [float(node)] if isinstance(node, int | float) and not isinstance(node, bool) else []


def test_every_withheld_value_has_its_reason(made: Any) -> None:
    document, html, _, _ = made
    text = re.sub(r"<[^>]+>", "", html)
    for row in document["measurements"]:
        if row["trust"] != "ok":
            assert neat(row["reason"]) in text
    for row in document["alignment"]:
        if row["trust"] == "withheld":
            assert neat(row["reason"]) in text
    pair = tuple(document["correlation"]["baseline"])
    for row in document["changes"]:
        if (row["from_scan"], row["to_scan"]) == pair and row["real"] == "unsure":
            assert neat(row["reason"]) in text


def test_no_network_no_script(made: Any) -> None:
    _, html, reader, _ = made
    assert "<script" not in html
    assert not re.findall(r"(?:https?:)?//[a-z]", re.sub(r"base64,[A-Za-z0-9+/=]*", "", html))
    for tag, attributes in reader.tags:
        for name in ("src", "href"):
            target = attributes.get(name)
            assert target is None or target.startswith(("data:", "#")), (tag, target)


def test_no_dates_by_default(made: Any) -> None:
    _, html, _, study = made
    assert not any(s.date in html for s in study.timeline.scans)


def test_reads_well_aloud(made: Any) -> None:
    """Common practice after WCAG 2.2: language, one h1, landmarks, alt texts, scopes, ids once, links land."""
    _, _, reader, _ = made
    tags = [tag for tag, _ in reader.tags]
    assert ("html", {"lang": "en"}) in reader.tags
    assert tags.count("h1") == tags.count("main") == tags.count("header") == tags.count("nav") == 1
    ids = [a["id"] for _, a in reader.tags if "id" in a]
    assert len(ids) == len(set(ids))
    for tag, attributes in reader.tags:
        if tag == "img":
            assert attributes.get("alt")
        if tag == "svg":
            assert attributes.get("aria-hidden") == "true" or (attributes["role"], bool(attributes["aria-label"])) == (
                "img",
                True,
            )
        if tag == "th":
            assert attributes.get("scope") in ("col", "row", "rowgroup")
        if tag == "section":
            assert attributes["aria-labelledby"] in ids
        if tag == "a":
            assert str(attributes["href"])[1:] in ids
    assert tags.count("table") == tags.count("caption")
    levels = [int(tag[1]) for tag in tags if re.fullmatch(r"h\d", tag)]
    assert all(b - a <= 1 for a, b in pairwise(levels))


def test_scale_bar_is_true(made: Any) -> None:
    """A picture is square, its unit is the millimetre: a bar of N mm is N units long, whatever the screen."""
    document, html, reader, _ = made
    shared = document["pictures"]
    planes = [a for tag, a in reader.tags if tag == "svg" and "plane" in str(a.get("class"))]
    assert planes
    for a in planes:
        field = shared["field_of_view_mm"]
        assert a["viewbox"] == f"0 0 {field:g} {field:g}"
    for x1, x2 in re.findall(r'<g class="scale"><line x1="([\d.]+)" x2="([\d.]+)"', html):
        assert float(x2) - float(x1) == pytest.approx(shared["scale_bar_mm"], rel=0.002)


def test_untrusted_alignment_is_never_called_matched() -> None:
    study = STUDIES["withheld"]
    layout = views.plan(study)
    assert layout is not None
    view = views.view(study, layout, layout.planes[0], 5, 24)
    assert not view.matched
    assert view.reason == study.alignments[4].reason
    html = page.render(record.history(study, layout), figures.Pictures({}, {"axial": (view,)}, change_scans=None))
    assert texts.NOT_MATCHED in html
    assert texts.MAP_WITHHELD in html


def test_text_is_escaped() -> None:
    study = STUDIES["early"]
    document = record.history(study)
    document["case"] = '<b>&"x'
    html = page.render(document, figures.Pictures({}, {}))
    assert "<b>&" not in html
    assert "&lt;b&gt;&amp;&quot;x" in html


def test_sections_that_cannot_be_drawn_say_why() -> None:
    html = page.render(record.history(STUDIES["early"]), figures.Pictures({}, {}))
    for text in (texts.PLANES_WITHHELD, texts.PROFILE_WITHHELD, texts.RIM_WITHHELD):
        assert text in html


@pytest.mark.parametrize(
    ("low", "high", "value", "text"),
    [
        (13289.0, 14985.4, 14137.2, "14.1"),
        (10.0, 10.4, 10.2, "10.2"),
        (-65.0, -56.0, -60.6, "\N{MINUS SIGN}61"),
        (0.93, 1.11, 1.018, "1.02"),
    ],
)
def test_digits_follow_the_interval(low: float, high: float, value: float, text: str) -> None:
    unit = {14137.2: "mm3", 10.2: "mm", -60.6: "HU", 1.018: "1"}[value]
    row = {"quantity": "rim_core_ratio", "unit": unit, "low": low, "high": high, "value": value}
    assert shown.value(row) == text


def test_a_covered_page_gives_nothing_away() -> None:
    """Neither its title nor anything else on it speaks of mineral, of scans or of a lesion."""
    document = record.history(STUDIES["whole"], views.plan(STUDIES["whole"]))
    html = re.sub(r"<style>.*?</style>", "", page.render_covered(document), flags=re.DOTALL)
    title = re.findall(r"<title>(.*?)</title>", html)[0]
    assert title == f"{document['case']}: {texts.SEALED_TITLE}"
    text = re.sub(r"<[^>]+>", " ", html).lower().replace("mineralize impression", "")
    for word in ("mineralis", "lesion", "shell", "scan ", "day ", "hu "):
        assert word not in text, word


def test_everything_is_compared_between_one_named_pair(made: Any) -> None:
    """The course answer, the table of changes and the record name the same first and last scan."""
    document, html, _, _ = made
    first, last = document["correlation"]["baseline"]
    assert f"From scan {first} to scan {last}" in html or texts.ONE_SCAN in html
    course = next(a["text"] for a in document["correlation"]["answers"] if a["question"] == "course")
    if "not assessed" not in course:
        assert course.startswith(f"Scan {first} (day ")
        assert f"to scan {last} (day " in course


def test_every_version_of_an_impression_can_be_read_with_what_changed(tmp_path: Path) -> None:
    seen = Impression(atypia="mild", zoning="cannot be judged", cores="3 cores")
    ticks = Ticks("benign", "yes", "representative", "late enough", "comparable")
    first = record_impression(tmp_path, seen, findings_seen=False)
    second = record_impression(tmp_path, replace(seen, atypia="marked", ticks=ticks), because="<new> slides")
    document = record.history(STUDIES["whole"], views.plan(STUDIES["whole"]))
    html = page.render(document, figures.Pictures({}, {}), (first, second))
    text = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html))
    assert "Atypia: mild → marked" in text
    assert "&lt;new&gt; slides" in html
    assert '<a href="#impression">' in html
    assert text.index(texts.TICKED_BY_READER) < text.index("Histology: benign") < text.index(texts.DERIVED_BY_RULE)
    for record_ in (first, second):
        assert record_.digest in html


def test_each_caution_is_told_once_and_without_saying_its_subject_twice() -> None:
    """A note that repeats a reason of the same scan is left out; one that begins with its subject has no head."""
    document = record.history(STUDIES["whole"], views.plan(STUDIES["whole"]))
    why = "the bone does not pin the position"
    document["notes"] = [
        {"kind": "k", "subject": "tube voltage", "text": "Tube voltage differs between scans.", "level": "caution"}
    ]
    document["alignment"] = [{**document["alignment"][0], "scan": 2, "trust": "withheld", "reason": why}]
    lost = f"the alignment is not trusted ({why}) and no structure clearly is the lesion"
    document["lesion"] = {
        **document["lesion"],
        "outlines": [{"scan": 2, "trust": "withheld", "reason": lost, "notes": [], "method": "", "spread_mm": None}],
    }
    rows = [(about, text) for about, text, _ in cautions({**document, "scans": [{"scan": 2, "notes": []}]})]
    assert rows == [("", "Tube voltage differs between scans."), ("scan 2, outline", lost)]


def test_a_picture_of_an_outline_that_nothing_was_measured_with_says_so() -> None:
    study = STUDIES["whole"]
    layout = views.plan(study)
    assert layout is not None
    document = json.loads(record.dumps(record.history(study, layout)))
    drawn = tuple(views.view(study, layout, layout.planes[0], s.number, 24) for s in study.timeline.scans)
    document["lesion"]["outlines"][2].update(trust="withheld", reason="slices too thick")
    html = page.render(document, figures.Pictures({}, {"axial": drawn}))
    assert html.count("Nothing was measured with this outline: slices too thick") == 1
