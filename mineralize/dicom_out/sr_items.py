"""Content items of the report: a number with its interval, method and threshold; a verdict with its reason."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import highdicom.sr as hsr
from highdicom.sr import (
    CodeContentItem,
    CodedConcept,
    ContentItem,
    ContentSequence,
    NumContentItem,
    RelationshipTypeValues,
    TextContentItem,
)
from pydicom.dataset import Dataset

from ..base import Term, plain_text
from ..measure import Measurement
from . import codes
from .codes import Coded
from .seg import code


def concept(term: Term) -> CodedConcept:
    """A term as highdicom takes it."""
    return CodedConcept(value=term.value, scheme_designator=term.scheme, meaning=term.meaning)


def measurement(row: Coded, held: Measurement, threshold_hu120: float) -> hsr.Measurement:
    """A measured value with its 95 % interval and, where it rests on one, the threshold of mineral.

    Raises
    ------
    ValueError
        where the value is withheld.
    """
    if held.value is None:
        raise ValueError("expected a value that is not withheld")
    made = number(row, row.name, held.value, held.low, held.high)
    if row.over_threshold:
        hang(made[0], _property(codes.THRESHOLD, threshold_hu120, codes.HU, RelationshipTypeValues.INFERRED_FROM))
    return made


def number(
    row: Coded,
    name: Term,
    value: float,
    low: float | None,
    high: float | None,
    *,
    derivation: Term | None = None,
) -> hsr.Measurement:
    """A number of a quantity in its coded unit (TID 1419), with the ranges of its uncertainty."""
    derived = derivation or row.derivation
    made = hsr.Measurement(
        name=code(name),
        value=value * row.factor,
        unit=code(row.unit),
        derivation=None if derived is None else code(derived),
        finding_sites=None if row.site is None else [hsr.FindingSite(code(row.site))],
        method=None if row.method is None else code(row.method),
    )
    for term, bound, sign in ((codes.UPPER_UNCERTAINTY, high, 1.0), (codes.LOWER_UNCERTAINTY, low, -1.0)):
        if bound is not None:
            # the library's own property has no unit; the range has the unit of the value
            hang(made[0], _property(term, max(0.0, sign * (bound - value) * row.factor), row.unit))
    return made


def further(made: hsr.Measurement, name: Term, value: float, unit: Term) -> None:
    """Hang another number on a number, as one of its properties."""
    hang(made[0], _property(name, value, unit))


def judged(made: hsr.Measurement, name: Term, value: Term, reason: str) -> None:
    """Hang a verdict and its reason on a number, as its properties."""
    hang(made[0], CodeContentItem(concept(name), concept(value), RelationshipTypeValues.HAS_PROPERTIES))
    if reason:
        hang(made[0], comment(reason))


def evaluation(name: Term, value: Term, reason: str) -> hsr.QualitativeEvaluation:
    """A verdict on a quantity, with its reason as a comment below it."""
    made = hsr.QualitativeEvaluation(name=code(name), value=code(value))
    if reason:
        hang(made[0], comment(reason))
    return made


def statement(text: str, trust: Term, remarks: Iterable[str]) -> TextContentItem:
    """A finding in words, how far to trust it, and what limits it."""
    made = TextContentItem(concept(codes.FINDING), plain_text(text), RelationshipTypeValues.CONTAINS)
    hang(made, CodeContentItem(concept(codes.TRUST), concept(trust), RelationshipTypeValues.HAS_PROPERTIES))
    for remark in remarks:
        hang(made, comment(remark))
    return made


def comment(text: str) -> TextContentItem:
    """Plain words about the item it hangs on."""
    return TextContentItem(concept(codes.COMMENT), plain_text(text), RelationshipTypeValues.HAS_PROPERTIES)


def hang(parent: Dataset, child: ContentItem) -> None:
    """Put an item below another one."""
    if "ContentSequence" not in parent:
        parent.ContentSequence = ContentSequence()
    parent.ContentSequence.append(child)


def words_in(group: Sequence[Any], items: Iterable[ContentItem]) -> None:
    """Add items to a measurement group, which is a container and holds its own."""
    for item in items:
        group[0].ContentSequence.append(item)


def _property(
    name: Term,
    value: float,
    unit: Term,
    relation: RelationshipTypeValues = RelationshipTypeValues.HAS_PROPERTIES,
) -> NumContentItem:
    return NumContentItem(name=concept(name), value=value, unit=code(unit), relationship_type=relation)
