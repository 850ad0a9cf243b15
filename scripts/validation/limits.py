"""What was promised, each as a number and a verdict."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Limit:
    """Largest allowed median and worst error of a trusted value; ``relative`` to truth, else in the unit."""

    median: float
    worst: float
    relative: bool

    def words(self) -> str:
        if self.relative:
            return f"median {100 * self.median:g} %, worst {100 * self.worst:g} %"
        return f"median {self.median:g}, worst {self.worst:g}"


LIMITS: dict[str, Limit] = {
    "lesion_volume": Limit(0.04, 0.12, True),
    "mineral_mass": Limit(0.03, 0.10, True),
    "rim_core_ratio": Limit(0.03, 0.10, True),
    "rim_completeness": Limit(0.03, 0.10, False),
    "longest_diameter": Limit(0.03, 0.08, True),
    "cortex_gap": Limit(0.5, 1.5, False),
    "rim_thickness": Limit(0.4, 1.2, False),
}
"""Only where trust is ok."""

ALIGN_MEDIAN_MM, ALIGN_WORST_MM = 0.3, 1.0
TRUSTED_SHARE = 0.80
COVERAGE_LOW, COVERAGE_HIGH, COVERAGE_EACH = 0.90, 0.98, 0.85
NEEDLESS_SHARE = 0.05
SPREAD_SHARE = 0.10
FALSE_ALARM_SHARE = 0.05
DETECTED_SHARE = 0.90
OUTLINE_P95_MM, OUTLINE_GAP_MM, OUTLINE_CAUTION_MM = 1.5, 1.0, 1.5
"""Trusted outlines: 95th percentile, mean in the gaps; with caution: mean. Own judgement, as is half a pixel."""
CONTRAST_HU, MARGIN_MM = 20.0, 2.0
"""Contrast to muscle from which a lesion without mineral must be outlined, and how well on average; own judgement."""
SWEEP_SHARE = 0.05
ENOUGH = 20
"""Shares of fewer values than this are printed and not judged."""


@dataclass(frozen=True)
class Check:
    """One promise: ``held`` is None where there was too little to judge."""

    text: str
    found: str
    held: bool | None

    def line(self) -> str:
        word = {True: "pass", False: "FAIL", None: "  - "}[self.held]
        return f"{word}  {self.text}: {self.found}"
