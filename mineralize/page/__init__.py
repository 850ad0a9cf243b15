"""The page and the PDF, from the record alone.

In: a ``History`` (what ``history.json`` holds), pictures, and recorded impressions. Out: HTML text
(:func:`render_page`, :func:`render_covered` with imaging hidden, :func:`place_impressions` into a page that exists)
and PDF bytes (:func:`render_pdf`, at most two A4 pages; :func:`reprint_pdf` from what lies in a results folder).
Nothing is measured here; every number names its place in the record (JSON Pointer, RFC 6901), and nothing
is raised for a record of ours. Lengths of the PDF are mm on its paper (ISO 216 A4). Source: own definitions else.
"""

from __future__ import annotations

from .html import render as render_page
from .html import render_covered
from .impression import place as place_impressions
from .pdf import render as render_pdf
from .pdf import reprint as reprint_pdf

__all__ = [
    "place_impressions",
    "render_covered",
    "render_page",
    "render_pdf",
    "reprint_pdf",
]
