"""The PDF: at most two A4 pages, numbers from the record, nothing about its making, the same bytes on every run."""

from __future__ import annotations

import io
import re
from typing import Any

import pytest
import study_factory
from pypdf import PdfReader

from mineralize.figures import pictures as figures
from mineralize.page import pdf
from mineralize.page.pdf_parts import Column, Sheet, lines_of, width_mm
from mineralize.results import record, shown, texts, views

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
    assert texts.EXPERT_REVIEW.split(",")[0] in text.replace("\n", " ")
    for name in texts.SIGNATURES:
        assert name in text


def test_text_stays_in_its_column() -> None:
    words = "measured imaging history of a lesion " * 6
    lines = lines_of(words.strip(), 7, 60)
    assert " ".join(lines) == words.strip()
    assert all(width_mm(line, 7) <= 60 for line in lines)
    column = Column(Sheet(), 10, 10, 60, 14)
    assert not column.write(words, 7)
    assert column.y == 10
    assert column.write("short", 7)


def test_what_does_not_fit_is_left_to_the_page_and_said() -> None:
    sheet = Sheet()
    column = Column(sheet, 10, 10, 60, 30)
    pdf._flow([column], [(f"statement {chr(97 + k)} " * 8, "black") for k in range(9)], "none")
    said = [text.get_text() for text in sheet.figure.texts]
    assert said[-1] == texts.MORE_ON_PAGE
    assert column.y <= 30
