"""What is too bright to be mineral: closed-form HU of mineral and metals, through a scanner's kernel."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from analytic_shell import SOFT_HU, Shell, ellipsoid_outline, reference, rendered
from scipy import ndimage

from mineralize.base import Grid, Volume
from mineralize.lesion.metal import brightest_mineral_hu, too_bright

SLOPES = {80.0: 1.897, 100.0: 1.564, 120.0: 1.369, 140.0: 1.234}
"""HU per mg/cm3 hydroxyapatite displacing water (ICRU-44 tissues, xraylib and spekpy, 2.5 + 6 mm Al)."""
METALS = {"titanium": (4.506, 0.7661, 0.4052), "steel": (7.87, 1.205, 0.5952)}
"""(g/cm3, cm2/g at 60 keV, at 80 keV): NIST XCOM for titanium and iron, from memory."""
WATER = (0.2059, 0.1837)
"""cm2/g at 60 and 80 keV (NIST XCOM, from memory)."""
BEAM_KEV = {80.0: 56.5, 100.0: 64.6, 120.0: 72.2, 140.0: 79.9}
"""Energy at which one photon energy attenuates hydroxyapatite as the beam does (spekpy, 2.5 + 6 mm Al)."""
SPACING = (1.0, 0.6, 0.6)
GRID = Grid.from_parts((24, 60, 60), SPACING, (-17.7, -17.7, -11.5))
OUTLINE = np.array([[-6.0, 0.0, 0.0], [6.0, 0.0, 0.0], [0.0, 6.0, 4.0]])


def metal_hu(name: str, kvp: float) -> float:
    """HU of solid metal: attenuation between the two energies as a power of the energy."""
    density, low, high = METALS[name]
    share = np.log(BEAM_KEV[kvp] / 60.0) / np.log(80.0 / 60.0)
    metal, water = (one * (two / one) ** share for one, two in ((low, high), WATER))
    return float(1000.0 * (density * metal / water - 1.0))


def scan_of(hu: float, radius_mm: float, noise: float, *, length_mm: float = 10.0, sharp: bool = False) -> Volume:
    """A rod across the slices in muscle, blurred in plane (FWHM 1 mm), with noise; rounded as stored."""
    fine = 5
    across = (np.arange(60 * fine) + 0.5) / fine * 0.6 - 18.0
    rod = (across[:, None] ** 2 + across[None, :] ** 2 < radius_mm**2).astype(float)
    blurred = ndimage.gaussian_filter(rod, 1.0 / 2.3548 / (0.6 / fine))
    if sharp:  # edge enhancement: 12 % over a wide edge
        blurred += 0.9 * (blurred - ndimage.gaussian_filter(blurred, 1.2 / 2.3548 / (0.6 / fine)))
    plane = blurred.reshape(60, fine, 60, fine).mean(axis=(1, 3))
    along = np.abs(np.arange(24) - 11.5) < length_mm / 2
    values = SOFT_HU + (hu - SOFT_HU) * plane * along[:, None, None]
    values = values + np.random.default_rng(3).normal(scale=noise, size=values.shape)
    return Volume(np.round(values).astype(np.int16), GRID)


def judged(volume: Volume, kvp: float, noise: float) -> str:
    found = too_bright(volume, reference(volume, kvp=kvp, noise=max(noise, 1.0)), OUTLINE)
    return "" if found is None else found.text


@pytest.mark.parametrize("kvp", SLOPES)
@pytest.mark.parametrize(
    ("mg_cm3", "noise", "sharp"), [(1415.0, 40.0, True), (1770.0, 20.0, True), (1770.0, 40.0, False)]
)
def test_the_densest_mineral_met_is_no_metal(kvp: float, mg_cm3: float, noise: float, sharp: bool) -> None:
    """Bone up to 1415, calculus up to 1770 mg/cm3 (Djomehri 2015, PLoS ONE 10:e0121611), at every tube voltage."""
    hu = SOFT_HU + SLOPES[kvp] * mg_cm3
    for radius in (1.0, 3.0, 8.0):
        assert not judged(scan_of(hu, radius, noise, sharp=sharp), kvp, noise), (radius, hu)


@pytest.mark.parametrize("kvp", SLOPES)
@pytest.mark.parametrize("name", METALS)
@pytest.mark.parametrize("radius", [0.6, 2.0])
def test_metal_is_found_down_to_a_clip(kvp: float, name: str, radius: float) -> None:
    """A clip of 1.2 mm wire, 10 mm long, after the blur of the scan; a rod of 4 mm."""
    assert metal_hu("titanium", 140.0) == pytest.approx(8939, abs=30)  # 4.506 * 0.4052 / 0.1837 at 80 keV
    assert "metal" in judged(scan_of(min(metal_hu(name, kvp), 32000.0), radius, 20.0), kvp, 20.0)


@pytest.mark.parametrize("kvp", SLOPES)
def test_metal_on_a_scale_of_12_bits_is_found_by_its_flat_top(kvp: float) -> None:
    """-1024 to 3071 HU: what reads more is stored as 3071. Mineral that would read more is cut off too, and said."""
    whole = scan_of(metal_hu("titanium", kvp), 2.0, 20.0)
    cut = replace(whole, hu=np.minimum(whole.hu, 3071).astype(np.int16))
    found = judged(cut, kvp, 20.0)
    assert found, kvp
    if brightest_mineral_hu(reference(cut, kvp=kvp, noise=20.0)) > 3071:
        assert "3071" in found
    dense = scan_of(SOFT_HU + 1.897 * 1770.0, 6.0, 10.0)
    assert not judged(dense, 80.0, 10.0)
    assert "3071" in judged(replace(dense, hu=np.minimum(dense.hu, 3071).astype(np.int16)), 80.0, 10.0)


def test_specks_of_noise_are_no_metal() -> None:
    volume = scan_of(SOFT_HU, 1.0, 20.0)
    few, more = np.array(volume.hu), np.array(volume.hu)
    few[12, 30, 30:37] = 9000  # 7 voxels, 2.5 mm3
    more[12, 30:32, 30:37] = 9000
    assert not judged(replace(volume, hu=few), 120.0, 20.0)
    assert "metal" in judged(replace(volume, hu=more), 120.0, 20.0)


def test_a_dense_shell_at_80_kvp_is_measured() -> None:
    """Over 3000 HU at 80 kVp stands for 1600 mg/cm3, which 120 kVp shows at 2240 HU."""
    shell = replace(Shell(), shell_hu=3200.0, thickness=3.0)
    volume = rendered(shell, noise=10.0)
    vertices = ellipsoid_outline(shell.radii).vertices
    assert int((volume.hu >= 3000.0).sum()) * volume.grid.voxel_volume_mm3 > 20.0
    assert not too_bright(volume, reference(volume, kvp=80.0, noise=10.0), vertices)
