"""What the measured history lets one say, and no more: findings, expected tissue, where the biopsy came from.

In: time line, rows of measurements, changes, curves, alignments. Out: :class:`Finding`, :class:`ExpectedTissue` and
:class:`BiopsyReport`, each with its trust and its sources. Inside, ``statements`` holds the types, ``wording`` every
sentence, ``sources`` every citation, ``gather``, ``tissue`` and ``biopsy`` the rules.
"""

from __future__ import annotations

from .biopsy import biopsy_reports
from .gather import findings
from .sources import cite
from .statements import BiopsyReport, ExpectedTissue, Finding
from .tissue import expected_tissue
from .wording import CONCORDANCE, CONCORDANCE_OPTIONS, CONCORDANCE_REASONS, TEST_CAVEATS

__all__ = [
    "CONCORDANCE",
    "CONCORDANCE_OPTIONS",
    "CONCORDANCE_REASONS",
    "TEST_CAVEATS",
    "BiopsyReport",
    "ExpectedTissue",
    "Finding",
    "biopsy_reports",
    "cite",
    "expected_tissue",
    "findings",
]
