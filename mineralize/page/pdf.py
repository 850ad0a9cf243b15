"""``summary.pdf``: at most two A4 pages from the record and the pictures, to print and lay beside the slides.

Page one: the five answers, the pictures, the needle, every finding as a row. Page two: measurements, course, maps,
every scan's cautions, the impression before and after, concordance, signatures. No topic is ever left out: where room
is short a row becomes one line. Nothing is set smaller than 8 points.
"""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from typing import Any

from matplotlib.backends.backend_pdf import PdfPages

from ..figures import Pictures, look
from ..results import Record, texts
from ..study import Study
from .pdf_first import first_page
from .pdf_second import second_page


def render(study: Study, document: Mapping[str, Any], pictures: Pictures, impressions: Sequence[Record] = ()) -> bytes:
    """The PDF as bytes; no author, date or program in it. ``impressions`` are the recorded versions, oldest first."""
    return reprint(document, pictures.files, impressions)


def reprint(document: Mapping[str, Any], files: Mapping[str, bytes], impressions: Sequence[Record] = ()) -> bytes:
    """The same from what lies in a results folder: the record, and ``figures/`` by file name."""
    held = io.BytesIO()
    empty = {"Creator": None, "Producer": None, "CreationDate": None}
    with look(), PdfPages(held, metadata={"Title": f"{document['case']}: {texts.TITLE}", **empty}) as book:
        for sheet in (first_page(document, files), second_page(document, files, impressions)):
            book.savefig(sheet.figure)
    return held.getvalue()
