"""The PDF: at most two A4 pages, numbers from the record, nothing about its making, the same bytes on every run."""

from __future__ import annotations

import io
import re
from typing import Any

import pytest
import study_factory
from matplotlib.figure import Figure
from pypdf import PdfReader

from mineralize.figures import pictures as figures
from mineralize.figures.style import png
from mineralize.page import pdf
from mineralize.page.parts import by_topic, cautions_by_scan
from mineralize.page.pdf_parts import Column, Sheet, lines_of, width_mm
from mineralize.results import Impression, Ticks, record, shown, texts, views
from mineralize.results.impression import record_impression

STUDIES = {
    "whole": study_factory.study(),
    "withheld": study_factory.study(untrusted=5, missing=2, unresolved=4),
    "early": study_factory.early(study_factory.study()),
}


@pytest.fixture(scope="module", params=STUDIES)
def made(request: Any) -> tuple[Any, bytes]:
    study = STUDIES[request.param]
    layout = views.plan(study)
    document = record.history(study, layout)
    shown_views = (
        {p.name: tuple(views.view(study, layout, p, s.number, 24) for s in study.timeline.scans) for p in layout.planes}
        if layout
        else {}
    )
    pictures = figures.Pictures({}, shown_views)
    data = pdf.render(study, document, pictures)
    assert data == pdf.render(study, document, pictures)
    return document, data


def test_two_upright_pages_and_nothing_about_its_making(made: Any) -> None:
    """ISO 216: A4 is 210 mm x 297 mm. Judge: pypdf."""
    _, data = made
    reader = PdfReader(io.BytesIO(data))
    assert len(reader.pages) <= 2
    for page in reader.pages:
        width, height = (float(v) / 72 * 25.4 for v in (page.mediabox.width, page.mediabox.height))
        assert (width, height) == pytest.approx((210, 297), abs=0.2)
    assert set(reader.metadata or {}) == {"/Title"}
    assert b"Matplotlib" not in data


def test_every_number_is_in_the_record(made: Any) -> None:
    """Numbers are values of the record at the digits shown, words of the record, fixed text, or ticks of a plot."""
    document, data = made
    reader = PdfReader(io.BytesIO(data))
    known = set(re.findall(r"\d+(?:\.\d+)?", record.dumps(document)))
    known |= set(re.findall(r"\d+(?:\.\d+)?", " ".join(str(v) for k, v in vars(texts).items() if k.isupper())))
    for row in document["measurements"]:
        for key in ("value", "low", "high"):
            known |= set(re.findall(r"\d+(?:\.\d+)?", shown.value(row, key).replace(shown.THIN, "")))
    for report in document["correlation"]["biopsies"]:
        known |= set(re.findall(r"\d+(?:\.\d+)?", texts.path_note(report)))
    numbers = {float(token) for token in known}
    text = "\n".join(page.extract_text() for page in reader.pages).replace(shown.THIN, "")
    text = re.sub(r"(?<=\d)\u2009(?=\d)", "", text)
    lines = [line for line in text.splitlines() if re.search("[A-Za-z]", line)]
    assert len(lines) > 30
    for line in lines:
        for token in re.findall(r"\d+(?:\.\d+)?", line):
            assert float(token) in numbers, f"{token} in {line!r} is not in the record"


def test_what_is_withheld_is_said(made: Any) -> None:
    document, data = made
    text = "".join(page.extract_text() for page in PdfReader(io.BytesIO(data)).pages)
    if any(r["trust"] == "withheld" for r in document["measurements"] if r["quantity"] in texts.PDF_ROWS):
        assert texts.TRUST["withheld"] in text
    for name in texts.SIGNATURES:
        assert name in text


def said_on(data: bytes) -> str:
    """All text of the PDF, blanks made plain: pypdf."""
    text = " ".join(page.extract_text() for page in PdfReader(io.BytesIO(data)).pages)
    return re.sub(r"\s+", " ", text.replace(shown.THIN, " "))


def test_every_topic_and_every_answer_is_printed(made: Any) -> None:
    """No topic is ever dropped: each stands in bold, with at least the begin of what is said of it."""
    document, data = made
    said = said_on(data)
    topics = by_topic(document)
    assert len(topics) == len({f["topic"] for f in document["correlation"]["findings"]})
    for topic, words, mark in topics:
        first = " ".join(topic.split()[:2])
        assert first in said, topic
        assert f"{mark} {words.split()[0]}" in said, (topic, words)
    for answer in document["correlation"]["answers"]:
        plain = re.sub(r"\s+", " ", answer["text"].replace(shown.THIN, " "))
        assert plain in said


def test_every_scan_with_a_caution_is_printed(made: Any) -> None:
    document, data = made
    said = said_on(data)
    for about, words in cautions_by_scan(document):
        assert f"{about} " in said
        assert " ".join(words.split()[:2]) in said


def crowded(document: dict[str, Any], topics: int) -> dict[str, Any]:
    """A record with as many topics, each with a long answer."""
    model = document["correlation"]["findings"][0]
    long = "a long answer that goes on and on about what was measured in every scan and what could not be " * 3
    found = [{**model, "topic": f"Topic {chr(65 + k)}", "brief": f"{chr(65 + k)}{k}: {long}"} for k in range(topics)]
    return {**document, "correlation": {**document["correlation"], "findings": found}}


def test_topics_that_are_long_and_many_become_single_lines_and_none_is_lost() -> None:
    study = STUDIES["whole"]
    layout = views.plan(study)
    document = crowded(record.history(study, layout), 26)
    strips = {"planes_axial.png": drawn(7.24, 3.1), "rim_attenuation.png": drawn(7.24, 1.2)}
    said = said_on(pdf.reprint(document, strips))
    for k in range(26):
        assert f"Topic {chr(65 + k)}" in said
        assert f"{chr(65 + k)}{k}: a" in said


def drawn(width: float, height: float) -> bytes:
    return png(Figure(figsize=(width, height)))


def test_nothing_is_set_smaller_than_eight_points(made: Any) -> None:
    """Sizes of every letter of both pages, as the PDF states them: pypdf's visitor gives the font size in points."""
    _, data = made
    sizes: set[float] = set()
    for page in PdfReader(io.BytesIO(data)).pages:
        page.extract_text(visitor_text=lambda text, _cm, _tm, _font, size: sizes.add(size) if text.strip() else None)
    assert sizes
    assert min(sizes) >= 8.0 - 0.01


def test_an_impression_is_printed_before_and_after_imaging(tmp_path: Any) -> None:
    study = STUDIES["whole"]
    document = record.history(study, views.plan(study))
    first = record_impression(tmp_path, Impression(atypia="mild", zoning="no zoning"), findings_seen=False)
    ticks = Ticks("benign", "yes", "representative", "late enough", "comparable")
    seen = Impression(atypia="moderate", ticks=ticks)
    second = record_impression(tmp_path, seen, because="second look", findings_seen=True)
    said = said_on(pdf.reprint(document, {}, (first, second)))
    assert "Before imaging (version 1)" in said
    assert "After imaging (version 2)" in said
    assert "mild" in said
    assert "moderate" in said
    assert said.count("☒") == 1
    blank = said_on(pdf.reprint(document, {}))
    assert "☒" not in blank
    assert blank.count("☐") == 5


def test_text_stays_in_its_column() -> None:
    words = "measured imaging history of a lesion " * 6
    lines = lines_of(words.strip(), 8, 60)
    assert " ".join(lines) == words.strip()
    assert all(width_mm(line, 8) <= 60 for line in lines)
    column = Column(Sheet(), 10, 10, 60, 17)
    column.write(words, 8)
    assert column.y <= 18.1
    said = [text.get_text() for text in column.sheet.figure.texts]
    assert said[-1].endswith("…")
    assert all(width_mm(line, 8) <= 60 for line in said)
