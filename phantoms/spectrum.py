"""X-ray spectra, attenuation of tissue, and the water correction of a scanner.

Spectra come from spekpy, photon cross-sections (coherent scattering included) from xraylib; both are needed for this
module and `projection` only and belong to the development extra.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, cached_property

import numpy as np
import spekpy
import xraylib

from .physics import HYDROXYAPATITE_MG_CM3, Array

INHERENT_AL_MM, BOWTIE_AL_MM = 2.5, 6.0
ANODE_DEG = 8.0
STEP_KEV = 2.0
"""Width of the energy bins; finer ones move a path integral by less than one part in ten thousand."""

ICRU_44 = {
    "muscle": (1.05, "H.102 C.143 N.034 O.710 Na.001 P.002 S.003 Cl.001 K.004"),
    "fat": (0.95, "H.114 C.598 N.007 O.278 Na.001 S.001 Cl.001"),
    "cortex": (1.92, "H.034 C.155 N.042 O.435 Na.001 Mg.002 P.103 S.003 Ca.225"),
}
"""Density (g/cm3) and mass fractions of ICRU Report 44 (skeletal muscle, adipose tissue, cortical bone)."""
CHEMICAL = {
    "water": (1.0, "H2O"),
    "hydroxyapatite": (HYDROXYAPATITE_MG_CM3 / 1000, "Ca10P6O26H2"),
    "aluminium": (2.699, "Al"),
}
MATERIALS = ("muscle", "fat", "cortex", "hydroxyapatite")
"""What limbs are made of, in the order of every array of path lengths."""


def linear_attenuation(material: str, kev: Array) -> Array:
    """Linear attenuation coefficient in 1/cm at energies ``kev`` (N,)."""
    if material in CHEMICAL:
        density, formula = CHEMICAL[material]
        return np.array([density * xraylib.CS_Total_CP(formula, float(e)) for e in kev])
    density, mixture = ICRU_44[material]
    total = np.zeros(len(kev))
    for part in mixture.split():
        symbol, share = part.split(".")
        number = xraylib.SymbolToAtomicNumber(symbol)
        total += float(f"0.{share}") * np.array([xraylib.CS_Total(number, float(e)) for e in kev])
    return density * total


@dataclass(frozen=True, eq=False)
class Beam:
    """What leaves the tube: photons per energy bin, summing to 1, after the filtration.

    ``kev`` (N,) are the bins' mean energies.
    """

    kvp: float
    kev: Array
    photons: Array

    @cached_property
    def tissue(self) -> Array:
        """(4, N) 1/cm of `MATERIALS`."""
        return np.stack([linear_attenuation(m, self.kev) for m in MATERIALS])

    @cached_property
    def water(self) -> Array:
        """(N,) 1/cm."""
        return linear_attenuation("water", self.kev)

    def moments(self, optical: Array) -> tuple[Array, Array]:
        """Mean energy per photon sent that an energy-integrating detector sees, and mean squared energy, in keV.

        ``optical`` (..., N) is the path integral at each energy.
        """
        passed = self.photons * np.exp(-optical)
        return passed @ self.kev, passed @ self.kev**2

    def path_integral(self, optical: Array) -> Array:
        """Minus the logarithm of the transmitted share of energy, noise-free. ``optical`` (..., N)."""
        return np.asarray(np.log(self.photons @ self.kev) - np.log(self.moments(optical)[0]))


@cache
def beam(kvp: float) -> Beam:
    """The filtered spectrum (2.5 mm Al of the tube, 6 mm Al as at the centre of a bow-tie filter) at a tube voltage."""
    tube = spekpy.Spek(kvp=kvp, th=ANODE_DEG, physics="kqp", dk=1.0)
    tube.filter("Al", INHERENT_AL_MM + BOWTIE_AL_MM)
    kev, fluence = tube.get_spectrum(edges=False)
    bins = np.floor(kev / STEP_KEV).astype(int)
    photons = np.bincount(bins, fluence)
    energy = np.bincount(bins, fluence * kev)
    there = photons > 1e-7 * photons.max()
    return Beam(float(kvp), energy[there] / photons[there], photons[there] / photons[there].sum())


@dataclass(frozen=True)
class Scale:
    """From a measured path integral to cm of water, and from the attenuation of a pixel to HU.

    ``powers`` holds the coefficients of path, path^2, ... of the polynomial; one alone is a plain scale.
    """

    powers: tuple[float, ...]

    def water_cm(self, path: Array) -> Array:
        total = np.zeros_like(path)
        for factor in reversed(self.powers):
            total = (total + factor) * path
        return np.asarray(total)


DEEPEST_CM = 36.0


def linearised(source: Beam, order: int = 7) -> Scale:
    """The usual pre-correction of scanners: a polynomial that makes water of any depth linear.

    Least squares over depths to 36 cm, relative to depth (Herman 1979, Phys Med Biol 24:81; from memory).
    """
    depth = np.linspace(0.25, DEEPEST_CM, 300)
    path = source.path_integral(depth[:, None] * source.water)
    terms = path[:, None] ** np.arange(1, order + 1)
    factors, *_ = np.linalg.lstsq(terms / depth[:, None], np.ones(len(depth)), rcond=None)
    return Scale(tuple(float(f) for f in factors))


def plain(source: Beam, depth_cm: float) -> Scale:
    """No correction: one number, that of water ``depth_cm`` deep."""
    path = float(source.path_integral(depth_cm * source.water))
    return Scale((depth_cm / path,))
