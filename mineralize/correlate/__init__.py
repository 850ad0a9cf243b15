"""What the measured history lets one say, and no more: findings, answers, expected tissue, where the biopsy came from.

In: time line, rows of measurements, changes, curves, alignments. Out: :class:`Finding`, five :class:`Answer`,
:class:`Described`, :class:`ExpectedTissue` and :class:`BiopsyReport`, each with its trust and its sources, in days
from day zero, mm and HU. ``ValueError`` for an outline without an inside; else what cannot be said is said to be so.
Inside, ``statements`` holds the types, ``sentences`` and its siblings the words, ``sources`` every citation,
``picture`` which published picture the lesion is like, and ``gather``, ``answers``, ``tissue`` and ``biopsy`` the
rules.
"""

from __future__ import annotations

from .biopsy import biopsy_reports
from .gather import baseline, findings, five_answers
from .picture import described
from .sources import cite
from .statements import Answer, BiopsyReport, Described, ExpectedTissue, Finding, Section
from .tissue import expected_tissue
from .wording import CONCORDANCE, CONCORDANCE_OPTIONS, CONCORDANCE_REASONS, TEST_CAVEATS, ZONE_WORDS

__all__ = [
    "CONCORDANCE",
    "CONCORDANCE_OPTIONS",
    "CONCORDANCE_REASONS",
    "TEST_CAVEATS",
    "ZONE_WORDS",
    "Answer",
    "BiopsyReport",
    "Described",
    "ExpectedTissue",
    "Finding",
    "Section",
    "baseline",
    "biopsy_reports",
    "cite",
    "described",
    "expected_tissue",
    "findings",
    "five_answers",
]
