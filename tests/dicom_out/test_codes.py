"""The code table against pydicom's copies of the dictionaries: PS3.16 for codes and meanings, PS3.6 for UIDs."""

from __future__ import annotations

import itertools
import re

import pytest
import study_factory
from pydicom.sr import _concepts_dict

from mineralize.base import Term
from mineralize.dicom_out import codes

NOT_LISTED = {("mg", "UCUM")}
"""Valid UCUM (ucum.org, section 30: gram with the prefix milli), not in a context group of PS3.16."""


def all_terms() -> set[Term]:
    rows = {t for r in codes.CODED for t in (r.name, r.told, r.unit, r.derivation, r.site, r.method) if t}
    segments = {t for s in codes.SEGMENTS for t in (s.kind, s.modifier) if t}
    found = {t for pair in codes.FOUND.values() for t in pair}
    return rows | segments | found | {t for t in vars(codes).values() if isinstance(t, Term)}


def meanings(scheme: str, value: str) -> set[str]:
    """Every meaning that PS3.16 gives a code."""
    return {entry[value][0] for entry in _concepts_dict.concepts.get(scheme, {}).values() if value in entry}


@pytest.mark.parametrize("term", sorted(all_terms(), key=lambda t: (t.scheme, t.value)), ids=lambda t: t.value)
def test_a_public_code_has_the_meaning_that_ps3_16_gives_it(term: Term) -> None:
    if term.private or (term.value, term.scheme) in NOT_LISTED:
        return
    assert term.meaning in meanings(term.scheme, term.value)


def test_a_code_with_the_meaning_of_another_would_be_found() -> None:
    """(123109, DCM) is Manual Processing; Edge Detection is 123103 (PS3.16 CID 7162)."""
    assert meanings("DCM", "123109") == {"Manual Processing"}
    assert meanings("DCM", codes.EDGE_DETECTION.value) == {"Edge Detection"}


def test_private_codes_have_no_public_one_of_the_same_meaning() -> None:
    public = {
        meaning.casefold() for names in _concepts_dict.concepts.values() for entry in names.values()
        for meaning, _ in entry.values()
    }  # fmt: skip
    told = {row.told for row in codes.CODED if row.told != row.name}  # repeat a public concept with its site
    for term in codes.private_terms():
        assert term in told or term.meaning.casefold() not in public, term


def test_codes_fit_their_value_representations() -> None:
    # PS3.3 8.8: Code Value and Coding Scheme Designator SH (16), Code Meaning LO (64)
    for term in all_terms():
        assert len(term.value) <= 16, term
        assert len(term.scheme) <= 16, term
        assert len(term.meaning) <= 64, term


def test_every_quantity_is_found_again_by_its_codes() -> None:
    names = [(row.region, row.name, row.derivation, row.site) for row in codes.CODED]
    assert len(set(names)) == len(names)
    told = [row.told for row in codes.CODED]
    assert len({(t.value, t.scheme) for t in told}) == len(told)
    private = codes.private_terms()
    assert len({t.value for t in private}) == len(private)
    assert all(row.region in codes.FOUND for row in codes.CODED)


def test_units_are_ucum_and_fit_the_measurements() -> None:
    ucum = {"mm": "mm", "mm2": "mm2", "mm3": "mm3", "mg": "mg", "HU": "[hnsf'U]"}
    for quantity, unit, _ in study_factory.QUANTITIES:
        row = codes.coded(quantity)
        if row is None:
            assert re.search(r"_\d+$", quantity), quantity
        elif unit == "1":
            assert (row.unit.value, row.factor) in (("%", 100.0), ("{ratio}", 1.0))
        else:
            assert (row.unit.value, row.factor) == (ucum[unit], 1.0)


def test_steady_tissues_are_no_mass() -> None:
    for group in ("surroundings", "muscle", "fat", "cortex"):
        category, kind = codes.FOUND[group]  # type: ignore[index]
        assert (category, codes.MASS in (category, kind)) == (codes.TISSUE, False)


def test_hydroxyapatite_is_not_called_calcium() -> None:
    """A reader that takes the mass for calcium is off by 2.5: Ca10(PO4)6(OH)2 is 39.9 % Ca (IUPAC atomic masses)."""
    row = codes.coded("mineral_mass")
    assert row is not None
    assert "alcium" not in row.name.meaning
    assert row.method == codes.HYDROXYAPATITE
    assert row.over_threshold


def test_segments_are_told_apart_in_grey_too() -> None:
    """CIE 1976: L* is lightness; the colour difference of two segments is far above what is just seen (about 2.3)."""
    for one, other in itertools.combinations([s.lab for s in codes.SEGMENTS], 2):
        assert abs(one[0] - other[0]) >= 10
        assert sum((a - b) ** 2 for a, b in zip(one, other, strict=True)) ** 0.5 > 30
