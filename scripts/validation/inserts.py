"""A scanned phantom with nine hydroxyapatite cylinders of known mass, measured by the program's own mass.

Scan and nominal values: QRM cardiac calcification insert in its thorax phantom with extension ring, 120 kV, 3 mm
slices (github.com/MolloiLab/CAC-stanford-data, MIT; the study is doi 10.1002/mp.14912). Each cylinder is as long as
it is wide; nominal mass is density times volume. Its makers' tolerance is not in the source; 0.1 mm on length and
diameter (own judgement) is 6 % of the mass of a 5 mm cylinder, 10 % of a 3 mm and 30 % of a 1 mm one.
"""

from __future__ import annotations

import tarfile
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np

import mineralize as mz
from mineralize.base import Calibration, InMemory, Rod, Scan, Settings, Volume
from mineralize.lesion import SeenScan, find_zones, look_at, outline_from_mask
from mineralize.measure import Estimate, Site, measure_mineral

ARCHIVE = Path("qrm-hydroxyapatite") / "canon_Large_rep1.tar.xz"
TOLERANCE_MM = 0.1
SETTINGS = Settings()
MARGIN_MM = 3.0
"""So far outside a cylinder's own edge its outline is drawn, as a ball: clear of the blur of 3 mm slices."""
SIMPLE_MG = {(800, 5): 82.2, (400, 5): 39.8, (200, 5): 15.7, (800, 3): 16.7, (400, 3): 5.7, (200, 3): 4.6}
"""Integration over background with the rod's scale, as a check beside the data gave."""


@dataclass(frozen=True)
class Insert:
    """A cylinder: density mg/cm3, diameter and length mm, (slice, row, column) of its middle."""

    mg_cm3: int
    size_mm: int
    at: tuple[float, float, float]

    @property
    def volume_mm3(self) -> float:
        return float(np.pi / 4 * self.size_mm**3)

    @property
    def nominal_mg(self) -> float:
        return self.mg_cm3 * self.volume_mm3 / 1000

    @property
    def tolerance_mg(self) -> float:
        return self.nominal_mg * 3 * TOLERANCE_MM / self.size_mm


INSERTS = (
    Insert(800, 5, (21.94, 220.1, 180.2)),
    Insert(400, 5, (21.70, 150.6, 291.5)),
    Insert(200, 5, (21.78, 281.3, 298.5)),
    Insert(800, 3, (22.00, 220.7, 205.6)),
    Insert(400, 3, (21.87, 173.3, 280.5)),
    Insert(200, 3, (21.85, 260.0, 285.1)),
    Insert(800, 1, (22.00, 220.6, 230.9)),
    Insert(400, 1, (22.00, 196.0, 269.5)),
    Insert(200, 1, (22.00, 238.7, 271.7)),
)
"""Middles are centres of gravity of the excess; the two faintest 1 mm ones lie on the line of their larger fellows."""

WATER = (32.0, 178.0, 240.0)
HYDROXYAPATITE = (32.0, 217.0, 262.0)
"""Middles of the water rod and the 200 mg/cm3 rod in slices 31 to 33, which the cone of the beam fully covers."""


@cache
def scan(data: Path) -> Scan:
    """The phantom's scan, read by the program's own reader."""
    with tempfile.TemporaryDirectory() as folder:
        with tarfile.open(data / ARCHIVE) as archive:
            archive.extractall(folder, **({"filter": "data"} if hasattr(tarfile, "data_filter") else {}))
        (only,) = mz.read(folder).scans
        return replace(only, source=InMemory(only.volume))


def rods(of: Scan) -> Calibration:
    """The two rods, as case.toml would give them."""
    water, mineral = of.grid.to_world(np.array([WATER, HYDROXYAPATITE]))
    along = (0.0, 0.0, 1.0)
    return Calibration(
        rods=(Rod(tuple(water), along, 9.0, 8.0, 0.0), Rod(tuple(mineral), along, 9.0, 9.5, 200.0)),
    )


@cache
def seen(data: Path, with_rods: bool) -> SeenScan:
    """The scan with its steady tissues, noise and blur; its slope from the table or from the rods."""
    own = scan(data)
    return look_at(replace(own, calibration=rods(own)) if with_rods else own, SETTINGS)


def mass_at(where: SeenScan, at: Iterable[float], radius_mm: float) -> Estimate:
    """The program's mineral mass inside a ball drawn around (slice, row, column)."""
    grid = where.volume.grid
    k, i, j = np.ogrid[tuple(slice(0, n) for n in grid.shape)]
    middle, spacing = np.asarray(list(at), float), grid.spacing
    away = sum(((axis - middle[n]) * spacing[n]) ** 2 for n, axis in enumerate((k, i, j)))
    outline = outline_from_mask(
        np.asarray(away <= radius_mm**2), grid, scan=1, method="drawn", verdicts=(), spread_mm=0.25
    )
    assert outline is not None
    near = where.near_outline(outline)
    site = Site(1, near, where.reference, outline, find_zones(outline, near.grid, SETTINGS.zones), SETTINGS)
    return next(e for e in measure_mineral(site) if e.quantity == "mineral_mass")


def mass_of(where: SeenScan, insert: Insert) -> Estimate:
    return mass_at(where, insert.at, 0.5 * insert.size_mm + MARGIN_MM)


# --- the least mass that is seen --------------------------------------------------------------------------------

BLANKS = tuple(
    (float(k), 215.0 + 55.0 * float(np.sin(a)), 258.0 + 55.0 * float(np.cos(a)))
    for k in (10, 13, 16, 25)
    for a in np.arange(6) * np.pi / 3 + 0.2 * k
)
"""Places in the phantom's body where there is nothing but its noise."""


def added(where: SeenScan, at: tuple[float, float, float], mass_mg: float, size_mm: float = 3.0) -> SeenScan:
    """The scan with one more ball of hydroxyapatite in it, blurred as the scan is, in its real noise."""
    grid, spacing = where.volume.grid, where.volume.grid.spacing
    rng = np.random.default_rng(0)
    cloud = rng.uniform(-0.5, 0.5, (60_000, 3)) * size_mm
    cloud = cloud[np.linalg.norm(cloud, axis=1) <= 0.5 * size_mm]
    pixel_free = np.sqrt(max(where.reference.blur_sd_mm**2 - spacing[2] ** 2 / 4, 0.04))
    cloud[:, 1:] += rng.normal(scale=pixel_free, size=(len(cloud), 2))
    cloud[:, 0] += rng.uniform(-0.5, 0.5, len(cloud)) * where.reference.slice_mm
    index = np.asarray(at) + cloud / spacing
    low = np.floor(index.min(axis=0)).astype(int) - 1
    counts, _ = np.histogramdd(
        index - low, bins=[np.arange(n + 2) - 0.5 for n in (index.max(axis=0) - low).astype(int) + 2]
    )
    # Slices stand a thickness apart here: a point lands in the slice whose box holds it.
    hu = np.array(where.volume.hu, np.float32)
    window = tuple(slice(a, a + n) for a, n in zip(low, counts.shape, strict=True))
    hu[window] += counts / len(cloud) * mass_mg * where.reference.slope * 1000 / grid.voxel_volume_mm3
    return replace(where, volume=Volume(hu, grid))


@dataclass(frozen=True)
class Seen:
    """What became of a ball of known mass at many places: mean and spread of its mass, and how often it is seen."""

    mass_mg: float
    mean_mg: float
    spread_mg: float
    above_zero: float
    stated_noise_mg: float


def seen_share(where: SeenScan, mass_mg: float, size_mm: float = 3.0) -> Seen:
    """Mass of an added ball at all blank places; seen where its interval lies above zero."""
    found = [mass_at(added(where, at, mass_mg, size_mm), at, 0.5 * size_mm + MARGIN_MM) for at in BLANKS]
    values = np.array([e.value for e in found], float)
    lows = np.array([e.interval[0] for e in found])
    noise = float(np.median([e.up["noise"] for e in found]))
    return Seen(mass_mg, float(values.mean()), float(values.std(ddof=1)), float((lows > 0).mean()), noise)
