"""Whether histology and imaging account for each other, by the person's own ticks and by nothing else.

Five categories after the usage in breast imaging (Youk 2011; the names from memory). No measurement enters: the
table only sorts the ticks and lists options for the team.
"""

from __future__ import annotations

from dataclasses import dataclass

from ..correlate import CONCORDANCE, CONCORDANCE_OPTIONS, CONCORDANCE_REASONS, cite
from .form import Ticks

CATEGORIES = (
    "concordant-benign",
    "concordant-malignant",
    "discordant-benign",
    "discordant-malignant",
    "indeterminate",
)
SOURCES = cite("Youk11", "Liberman00", "Jelinek96", "IJP20", "Sarcoma22", "UKSTS24")


@dataclass(frozen=True)
class ConcordanceRow:
    """One category: whether the ticks lead to it, why, and what the team might do then."""

    category: str
    label: str
    chosen: bool
    reasons: tuple[str, ...]
    options: tuple[str, ...]


@dataclass(frozen=True)
class Concordance:
    """``category`` is ``"open"`` as long as ticks are missing; then no row is chosen."""

    category: str
    label: str
    reasons: tuple[str, ...]
    rows: tuple[ConcordanceRow, ...]
    sources: tuple[str, ...] = SOURCES


def concordance(ticks: Ticks) -> Concordance:
    """Sort a person's ticks into one category, or leave it open."""
    category, reasons = _sorted(ticks)
    rows = tuple(
        ConcordanceRow(
            name,
            CONCORDANCE[name],
            name == category,
            reasons if name == category else (),
            CONCORDANCE_OPTIONS[name],
        )
        for name in CATEGORIES
    )
    return Concordance(category, CONCORDANCE[category], reasons, rows)


def _sorted(ticks: Ticks) -> tuple[str, tuple[str, ...]]:
    missing = [name.replace("_", " ") for name in Ticks.__dataclass_fields__ if not getattr(ticks, name)]
    if missing:
        return "open", (CONCORDANCE_REASONS["open"].format(names=", ".join(missing)),)
    why = []
    if ticks.sampling != "representative":
        why.append(CONCORDANCE_REASONS["sampling"].format(answer=ticks.sampling))
    if ticks.timing == "too early":
        why.append(CONCORDANCE_REASONS["timing"])
    if ticks.comparable == "not comparable":
        why.append(CONCORDANCE_REASONS["comparable"])
    if ticks.histology == "undetermined":
        why.append(CONCORDANCE_REASONS["histology"])
    if ticks.accounts == "in part":
        why.append(CONCORDANCE_REASONS["accounts"])
    if why:
        return "indeterminate", tuple(why)
    return f"{'concordant' if ticks.accounts == 'yes' else 'discordant'}-{ticks.histology}", ()
