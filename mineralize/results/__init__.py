"""From a ``Study`` to its record, tables and texts, and the impression that a person records; nothing is measured.

In: a ``Study``, or a record, table, form or impression that was written before. Out: ``record`` makes what
``history.json`` holds (a :class:`History`), ``rows`` objects of that again, ``tables`` the CSV texts, ``texts`` and
``shown`` the words and numbers that people read, ``views`` where the matched planes lie (a :class:`View` is a picture
(pixels, pixels) in HU with lines (n, 2) in mm), ``impression`` what was recorded, when. Units are those of the table of
quantities (UCUM), days from day zero, planes LPS mm. ``InputError`` for forms, records and tables that are not ours or
were changed, ``UsageError`` for an amendment without a reason, ``OutputError`` where an impression cannot be written.
Source: JSON (RFC 8259) by our own schema (JSON Schema 2020-12), JSON Pointer (RFC 6901), CSV (RFC 4180), dictionary by
Data Package 2; ``concordance`` names where its categories come from.
"""

from __future__ import annotations

from . import dictionary, form, impression, record, rows, shown, tables, texts, views
from .ask import ask
from .concordance import concordance
from .contradictions import contradictions
from .form import Impression, Ticks, from_mapping, says_nothing
from .form_text import blank_form, filled_form
from .impression import Record, load_impressions
from .record import History, Options, read
from .views import BRIDGED, EDGES, SEEN, SOFT, UNSEEN, View, ViewPlan, view

__all__ = [
    "BRIDGED",
    "EDGES",
    "SEEN",
    "SOFT",
    "UNSEEN",
    "History",
    "Impression",
    "Options",
    "Record",
    "Ticks",
    "View",
    "ViewPlan",
    "ask",
    "blank_form",
    "concordance",
    "contradictions",
    "dictionary",
    "filled_form",
    "form",
    "from_mapping",
    "impression",
    "load_impressions",
    "read",
    "record",
    "rows",
    "says_nothing",
    "shown",
    "tables",
    "texts",
    "view",
    "views",
]
