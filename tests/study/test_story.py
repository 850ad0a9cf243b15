"""The maturing shell tells the story that the trade knows.

Facts marked 'common practice, no source': weeks after onset a mineral ring around a lucent centre; half a year later
clearly more opaque; by nine months organised bone around, fat in the centre, the swelling calmed, no growth.
"""

from __future__ import annotations

import pytest
from histories import study, truth

pytestmark = pytest.mark.slow

DAYS = (24, 45, 80, 150, 270)
SIZE = {"slices": 70}


def of(scan: int, quantity: str) -> float:
    row = study("maturing-shell", **SIZE).measurement(scan, quantity)
    assert row is not None
    assert row.value is not None, f"{quantity}: {row.reason}"
    return float(row.value)


def real(first: int, second: int, quantity: str) -> str:
    found = [c for c in study("maturing-shell", **SIZE).changes
             if (c.from_scan, c.to_scan, c.quantity) == (first, second, quantity)]  # fmt: skip
    assert len(found) == 1
    return found[0].real


def test_the_scans_are_trusted() -> None:
    found = study("maturing-shell", **SIZE)
    assert tuple(s.day for s in found.timeline.scans) == DAYS
    assert {a.trust for a in found.alignments} == {"ok"}
    assert all(o is not None for o in found.outlines)


def test_weeks_after_onset_a_ring_around_a_lucent_centre() -> None:
    """common practice, no source (zoning visible in weeks 5-8: Bennett and El-Khoury 2013)."""
    assert of(2, "zonal_contrast") > 0.5
    assert of(2, "rim_core_difference") > 100
    assert of(2, "core_attenuation") < 80
    assert of(2, "core_mineral_fraction") < 0.05
    assert 0.5 < of(2, "rim_completeness") < 0.95


def test_the_ring_closes_and_half_a_year_later_is_clearly_more_opaque() -> None:
    """common practice, no source (well-defined cortex at about two months: KSMR356)."""
    assert of(3, "rim_completeness") > of(2, "rim_completeness") + 0.1
    assert of(4, "rim_completeness") > 0.97
    assert of(4, "mineral_mass") > 2 * of(2, "mineral_mass")
    assert of(5, "rim_core_ratio") > of(3, "rim_core_ratio") + 0.3
    assert real(2, 4, "mineral_mass") == "yes"
    assert real(2, 5, "rim_core_ratio") == "yes"
    assert of(5, "rim_thickness") > of(2, "rim_thickness") + 0.5


def test_by_nine_months_fat_in_the_centre_and_the_swelling_calmed() -> None:
    """common practice, no source."""
    assert of(5, "core_fat_fraction") > 0.8
    assert of(5, "core_attenuation") < -30
    assert real(2, 5, "core_attenuation") == "yes"
    assert of(1, "perilesional_deficit") > 5
    assert abs(of(5, "perilesional_deficit")) < 3


def test_the_lesion_has_not_grown() -> None:
    """Densification is not growth; it becomes smaller after five to six months (common practice, no source)."""
    for later in (3, 4, 5):
        assert of(later, "lesion_volume") < of(2, "lesion_volume") * 1.05
        assert of(later, "longest_diameter") < of(2, "longest_diameter") * 1.05
    changes = study("maturing-shell", **SIZE).changes
    grown = [c for c in changes if c.real == "yes" and (c.difference or 0) > 0]
    assert not [c for c in grown if c.quantity in ("lesion_volume", "longest_diameter", "axial_diameter")]


@pytest.mark.parametrize(
    ("quantity", "relative", "absolute"),
    [("lesion_volume", 0.06, 0), ("mineral_mass", 0.06, 0), ("rim_core_ratio", 0.04, 0), ("rim_completeness", 0, 0.06),
     ("longest_diameter", 0.04, 0), ("rim_thickness", 0, 0.6), ("cortex_gap", 0, 1.0)],
)  # fmt: skip
def test_trusted_numbers_are_near_the_truth(quantity: str, relative: float, absolute: float) -> None:
    """Truth integrated from the scene, without blur, noise or voxels."""
    found = study("maturing-shell", **SIZE)
    for number in (2, 3, 5):
        row = found.measurement(number, quantity)
        assert row is not None
        assert row.trust == "ok"
        expected = truth("maturing-shell", 0, number - 1, **SIZE)[quantity]
        assert row.value == pytest.approx(expected, rel=relative or None, abs=absolute or None), number


def test_the_course_is_said_in_words() -> None:
    course = {c.quantity: c.statement for c in study("maturing-shell", **SIZE).curves}
    assert "rose from day 45 to 80" in course["mineral_mass"]
    assert "rose" not in course["lesion_volume"]
