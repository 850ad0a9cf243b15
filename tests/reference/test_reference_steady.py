"""What the patient's own cortex and muscle say about the scale of each scan."""

from __future__ import annotations

from dataclasses import replace

import pytest

from mineralize.base import slope
from mineralize.reference import Reference, compared
from mineralize.reference.tissues import Tissue

CORTEX = {80.0: 2191.0, 100.0: 1834.8, 120.0: 1625.6, 140.0: 1481.4}
MUSCLE = {80.0: 45.2, 100.0: 43.9, 120.0: 43.1, 140.0: 42.6}
"""ICRU-44 cortical bone and muscle, HU by tube voltage (xraylib tables, spekpy spectra, 2.5 mm Al + 6 mm Al)."""


def scan(kvp: float, scale: float = 1.0, shift: float = 0.0, own_slope: float | None = None) -> Reference:
    """A scan whose mineral reads ``scale`` times and whose soft tissue ``shift`` HU beside what the tables say."""
    muscle = MUSCLE[kvp] + shift
    cortex = muscle + (CORTEX[kvp] - MUSCLE[kvp]) * scale
    soft, bone = Tissue(muscle, 0.3, 5e4), Tissue(cortex, 6.0, 900.0)
    return Reference(kvp, own_slope or slope(kvp), soft, None, bone, 12.0, 3.0, 0.6, 1.5, 1.5)


def test_four_voltages_of_one_patient_agree() -> None:
    """Published attenuation of cortical bone at 80-140 kVp is one tissue on the common scale, to 0.1 %."""
    found = compared({i + 1: scan(kvp) for i, kvp in enumerate(CORTEX)})
    for own in found.values():
        assert own.cortex_off == pytest.approx(0.0, abs=1e-3)
        assert own.notes == ()
        assert own.slope_uncertainty == 0.05


@pytest.mark.parametrize("scale", [0.88, 1.12])
def test_a_scanner_off_its_table_is_named_with_its_size(scale: float) -> None:
    found = compared({1: scan(120.0), 2: scan(100.0, scale), 3: scan(140.0), 4: scan(80.0)})
    assert found[2].cortex_off == pytest.approx(scale - 1, abs=0.002)
    (note,) = found[2].notes
    assert (note.kind, note.level, note.subject) == ("cortex-disagrees", "caution", "scan 2")
    assert f"12 % {'higher' if scale > 1 else 'lower'}" in note.text
    assert found[2].slope_uncertainty == pytest.approx(0.12, abs=0.002)
    for number in (1, 3, 4):
        assert found[number].notes == ()
        assert found[number].slope_uncertainty == 0.05


def test_of_two_scans_neither_is_blamed_alone() -> None:
    found = compared({1: scan(120.0), 2: scan(120.0, 1.10)})
    assert [len(own.notes) for own in found.values()] == [1, 1]
    assert found[1].slope_uncertainty == pytest.approx(0.09, abs=0.005)
    assert found[2].slope_uncertainty == pytest.approx(0.10, abs=0.005)


def test_what_noise_and_blur_explain_is_stated_but_not_cautioned() -> None:
    found = compared({1: scan(120.0), 2: scan(120.0, 1.03), 3: scan(120.0)})
    assert found[2].cortex_off == pytest.approx(0.03, abs=1e-3)
    assert found[2].notes == ()
    noisy = {n: replace(r, cortex=Tissue(r.cortex.mean_hu, 60.0, 900.0)) for n, r in
             {1: scan(120.0), 2: scan(120.0, 1.10), 3: scan(120.0)}.items() if r.cortex}  # fmt: skip
    assert compared(noisy)[2].notes == ()


def test_a_calibrated_scan_is_held_against_its_own_slope() -> None:
    """A scanner that reads mineral 12 % high and is calibrated 12 % high agrees with the others."""
    found = compared({1: scan(120.0), 2: scan(120.0, 1.12, own_slope=1.12 * slope(120.0)), 3: scan(100.0)})
    assert found[2].cortex_off == pytest.approx(0.0, abs=1e-3)
    assert found[2].notes == ()


def test_shifted_muscle_is_cautioned() -> None:
    found = compared({1: scan(120.0), 2: scan(120.0, shift=16.0), 3: scan(120.0, shift=3.0)})
    (note,) = found[2].notes
    assert note.kind == "muscle-disagrees"
    assert "14 HU higher" in note.text or "15 HU higher" in note.text
    assert found[1].notes == ()
    assert found[3].notes == ()


def test_without_cortex_or_company_nothing_is_said() -> None:
    alone = compared({1: scan(120.0)})[1]
    assert alone.cortex_off is None
    assert alone.notes == ()
    found = compared({1: replace(scan(120.0), cortex=None), 2: scan(120.0, 1.3)})
    assert [own.cortex_off for own in found.values()] == [None, None]
    no_muscle = replace(scan(120.0, shift=40.0), muscle=Tissue(50.0, 10.0, 0.0))
    found = compared({1: no_muscle, 2: scan(120.0)})
    assert [own.notes for own in found.values()] == [(), ()]
