"""What the measured history lets one say, and no more; expected tissue; where the biopsy came from.

The door of the layer: ``statements`` holds the types, ``wording`` every sentence, ``sources`` every citation,
``findings``, ``tissue`` and ``biopsy`` the rules.
"""

from __future__ import annotations

from .biopsy import biopsy_reports
from .findings import findings
from .statements import BiopsyReport, ExpectedTissue, Finding, SiteInScan
from .tissue import expected_tissue

__all__ = [
    "BiopsyReport",
    "ExpectedTissue",
    "Finding",
    "SiteInScan",
    "biopsy_reports",
    "expected_tissue",
    "findings",
]
