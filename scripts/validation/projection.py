"""Scans made from projections through the line: beam hardening, streaks and noise as physics makes them.

Every scene is scanned at every tube voltage with the water correction that scanners make, at 120 kVp also with a sharp
kernel, and at 80 kVp without the correction, which no scanner does. Silent failures break the limits below.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
import traceback
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy import ndimage

from mineralize.base import SLOPE_TABLE, Acquisition, Grid, InMemory, MineralizeError, Scan, Volume
from mineralize.study import order as whole
from mineralize.timeline import Seed, Timeline
from phantoms.physics import HYDROXYAPATITE_MG_CM3
from phantoms.projected import SCENES, SLICE_MM, Projected, project
from phantoms.projection import Machine, disc_chords, measured, reconstructed
from phantoms.spectrum import MATERIALS, Scale, beam, linearised, plain

from .limits import COVERAGE_EACH, ENOUGH, LIMITS, Check

KVP = tuple(int(v) for v, _ in SLOPE_TABLE)
WINDOWS = {"soft": "hann", "sharp": "ramp"}
UNCORRECTED_CM = 12.0
"""Without the correction the HU scale is set on water this deep: about a limb."""
QUANTITIES = ("mineral_mass", "rim_core_ratio", "lesion_volume", "mineral_volume")
JUDGED = ("mineral_mass", "rim_core_ratio", "lesion_volume")
SPREAD_SHARE = 0.05
"""Largest share by which the mass of one lesion may differ between a tube voltage and 120 kVp."""


@dataclass(frozen=True)
class Setup:
    """One way to scan a scene."""

    kvp: int
    corrected: bool = True
    kernel: str = "soft"

    @property
    def words(self) -> str:
        return f"{self.kvp} {'water' if self.corrected else 'none '} {self.kernel:5}"


SETUPS = (
    *(Setup(kvp) for kvp in KVP),
    Setup(120, kernel="sharp"),
    Setup(80, corrected=False),
)


@dataclass(frozen=True)
class Value:
    """A quantity beside its truth."""

    truth: float
    measured: float | None
    low: float | None
    high: float | None
    trust: str
    reason: str

    @property
    def error(self) -> float:
        return math.nan if self.measured is None else self.measured / self.truth - 1

    @property
    def inside(self) -> bool | None:
        return None if self.low is None or self.high is None else self.low <= self.truth <= self.high


@dataclass(frozen=True)
class Scanned:
    """What came of one scan. HU: ``muscle`` all over, ``cupping`` deep less outer muscle, ``noise`` of voxels."""

    scene: str
    setup: Setup
    muscle: float
    cupping: float
    noise: float
    values: dict[str, Value]
    failed: str = ""


def exposed(projected: Projected, kvp: int) -> np.ndarray:
    """Path integrals of a scene at a tube voltage; every correction and kernel works on the same."""
    source = beam(kvp)
    rng = np.random.default_rng(zlib.crc32(f"{projected.described.words} {kvp}".encode()))
    return measured(projected.described.machine, source, source.tissue, projected.lengths, rng)


def picture(projected: Projected, setup: Setup, path: np.ndarray) -> np.ndarray:
    """int16 HU of a scene scanned in one way."""
    source = beam(setup.kvp)
    scale: Scale = linearised(source) if setup.corrected else plain(source, UNCORRECTED_CM)
    return np.rint(reconstructed(projected.described.machine, path, scale, WINDOWS[setup.kernel])).astype(np.int16)


def timeline_of(projected: Projected, setup: Setup, hu: np.ndarray) -> Timeline:
    """The scan in memory, with a seed in the lesion."""
    described = projected.described
    affine, pixel = described.affine, described.pixel_mm
    grid = Grid.from_parts(hu.shape, (SLICE_MM, pixel, pixel), affine[:3, 3], affine[:3, :3] / [SLICE_MM, pixel, pixel])
    acquisition = Acquisition(
        kvp=float(setup.kvp), kernel=setup.kernel, kernel_class=setup.kernel,  # type: ignore[arg-type]
        slice_thickness_mm=SLICE_MM, slice_spacing_mm=SLICE_MM, pixel_spacing_mm=pixel,
        reconstruction_diameter_mm=pixel * hu.shape[2], contrast_agent=False,
    )  # fmt: skip
    place = np.asarray(described.scene(120.0).lesions[0].centre) + np.array([2.0, -1.5, 1.0])
    scan = Scan(1, 0, grid, acquisition, InMemory(Volume(hu, grid)))
    return Timeline((scan,), alias="projection", seeds=(Seed(1, tuple(float(v) for v in place)),))


def scanned(name: str, projected: Projected, setup: Setup, path: np.ndarray, truth: dict[str, float]) -> Scanned:
    """One scene scanned in one way, measured by the line."""
    hu = picture(projected, setup, path)
    muscle, cupping, noise = steady(projected, hu)
    try:
        study = whole.analyse(timeline_of(projected, setup, hu))
    except MineralizeError as error:
        return Scanned(name, setup, muscle, cupping, noise, {}, f"refused: {error}")
    except Exception as error:
        where = traceback.extract_tb(error.__traceback__)[-1]
        return Scanned(name, setup, muscle, cupping, noise, {}, f"crash: {error!r} ({where.name}:{where.lineno})")
    values = {}
    for quantity in QUANTITIES:
        m = study.measurement(1, quantity)
        if m is not None:
            values[quantity] = Value(truth[quantity], m.value, m.low, m.high, m.trust, m.reason)
    return Scanned(name, setup, muscle, cupping, noise, values)


def steady(projected: Projected, hu: np.ndarray) -> tuple[float, float, float]:
    """Mean of muscle, deep less outer muscle, and voxel noise, from pixels well inside muscle."""
    machine: Machine = projected.described.machine
    alone = ndimage.binary_erosion(projected.muscle, np.ones((1, 5, 5)))
    axis = (np.arange(machine.pixels) - machine.pixels // 2) * machine.pixel_mm
    away = np.hypot(axis[:, None], axis[None, :])
    out = np.quantile(np.broadcast_to(away, hu.shape)[alone], [0.25, 0.75])
    deep, outer = alone & (away <= out[0]), alone & (away >= out[1])
    pairs = alone[1:] & alone[:-1]
    apart = (hu[1:].astype(float) - hu[:-1])[pairs]
    return float(hu[alone].mean()), float(hu[deep].mean() - hu[outer].mean()), float(apart.std() / np.sqrt(2))


def run(names: Sequence[str], setups: Sequence[Setup]) -> Iterator[Scanned]:
    """All scans of the named scenes, as they come."""
    for name in names:
        projected, truth = project(SCENES[name]), SCENES[name].truth(120.0)
        paths = {kvp: exposed(projected, kvp) for kvp in {s.kvp for s in setups}}
        for setup in setups:
            yield scanned(name, projected, setup, paths[setup.kvp], truth)


def row(found: Scanned) -> list[str]:
    """One line for every quantity."""
    head = f"{found.scene:10} {found.setup.words}"
    steady_part = f"{found.muscle:6.1f} {found.cupping:6.1f} {found.noise:5.1f}"
    if found.failed:
        return [f"{head} {steady_part}  {found.failed}"]
    lines = []
    for quantity, v in found.values.items():
        value = f"{v.measured:9.4g}" if v.measured is not None else "        -"
        ends = f"{v.low:8.4g} {v.high:8.4g}" if v.low is not None and v.high is not None else "       -        -"
        inside = {True: "yes", False: "NO", None: "-"}[v.inside]
        error = "      -" if v.measured is None else f"{100 * v.error:+6.1f}%"
        lines.append(
            f"{head} {steady_part} {quantity:15} {v.truth:9.4g} {value} {error} {ends}  {inside:3} {v.trust:8} "
            f"{v.reason[:70]}".rstrip()
        )
    return lines


HEAD = (
    f"scene      kVp corr. kern. muscle cupping noise {'quantity':15} {'truth':>9} {'measured':>9}   error {'low':>8} "
    f"{'high':>8}  in  trust"
)
CYLINDERS_CM = (8, 12, 16, 20, 30)
SOLUTION_MG_CM3, ROD_MM = 200.0, 10.0


def solution_lines() -> list[str]:
    """HU of a hydroxyapatite solution in water cylinders as a share of table slope x concentration."""
    lines = [
        f"HU of {SOLUTION_MG_CM3:g} mg/cm3 hydroxyapatite in a rod {2 * ROD_MM:g} mm thick on the axis of a water "
        "cylinder, over table slope x concentration",
        "kVp  " + "".join(f"{cm:>6} cm" for cm in CYLINDERS_CM),
    ]
    for kvp, slope in SLOPE_TABLE:
        found = [rod_hu(kvp, 10.0 * cm, SOLUTION_MG_CM3) / (slope * SOLUTION_MG_CM3) for cm in CYLINDERS_CM]
        lines.append(f"{kvp:3.0f}  " + "".join(f"{share:9.3f}" for share in found))
    return lines


def rod_hu(kvp: float, diameter_mm: float, mg_cm3: float) -> float:
    """Mean HU within the inner half of a rod of solution on the axis of a water cylinder, water-corrected."""
    source, machine = beam(kvp), Machine(pixels=128, pixel_mm=diameter_mm / 110, views=180)
    whole_path, rod = (disc_chords(machine, (0.0, 0.0), r) for r in (diameter_mm / 2, ROD_MM))
    share = mg_cm3 / HYDROXYAPATITE_MG_CM3
    lengths = np.stack([whole_path - share * rod, share * rod], axis=-1)[..., None, None].astype(np.float32)
    materials = np.stack([source.water, source.tissue[MATERIALS.index("hydroxyapatite")]])
    hu = reconstructed(machine, measured(machine, source, materials, lengths, None), linearised(source), "hann")[0]
    axis = (np.arange(machine.pixels) - machine.pixels // 2) * machine.pixel_mm
    return float(hu[np.hypot(axis[:, None], axis[None, :]) < ROD_MM / 2].mean())


def checks(found: Sequence[Scanned]) -> list[Check]:
    """What was promised: no trusted value off by more than its limit, none refused, mass steady over tube voltages."""
    out = [Check("no refusal and no crash", str(sum(bool(f.failed) for f in found)), not any(f.failed for f in found))]
    for corrected in (True, False):
        some = [f for f in found if f.setup.corrected == corrected]
        words = "water-corrected" if corrected else "not corrected"
        for quantity in JUDGED:
            worst_of = LIMITS[quantity].worst
            values = [(f, f.values[quantity]) for f in some if quantity in f.values]
            trusted = [(f, v) for f, v in values if v.trust == "ok"]
            if not values:
                continue
            text = f"{words}: trusted {quantity} within {100 * worst_of:g} %"
            if not trusted:
                out.append(Check(text, f"0 of {len(values)} trusted", None))
                continue
            f, v = max(trusted, key=lambda pair: abs(pair[1].error))
            held = sum(v.inside is True for _, v in trusted)
            bias = float(np.mean([v.error for _, v in trusted]))
            text_found = (
                f"worst {100 * v.error:+.1f} % ({f.scene}, {f.setup.words.strip()}), mean {100 * bias:+.1f} %; "
                f"{len(trusted)} of {len(values)} trusted, interval holds {held}"
            )
            out.append(Check(text, text_found, abs(v.error) <= worst_of))
            if corrected:
                text = f"{words}: interval of trusted {quantity} holds the truth in {100 * COVERAGE_EACH:g} %"
                share = held / len(trusted)
                enough = len(trusted) >= ENOUGH
                out.append(Check(text, f"{held} of {len(trusted)}", share >= COVERAGE_EACH if enough else None))
    for name in dict.fromkeys(f.scene for f in found):
        masses = {
            f.setup.kvp: f.values["mineral_mass"].measured
            for f in found
            if f.scene == name and f.setup.corrected and f.setup.kernel == "soft" and "mineral_mass" in f.values
        }
        base = masses.get(120)
        known = {k: m / base - 1 for k, m in masses.items() if base and m is not None}
        if len(known) > 1:
            kvp = max(known, key=lambda k: abs(known[k]))
            text = f"{name}: mass within {100 * SPREAD_SHARE:g} % of that at 120 kVp, whatever the tube voltage"
            out.append(Check(text, f"{100 * known[kvp]:+.1f} % at {kvp}", abs(known[kvp]) <= SPREAD_SHARE))
    return out


def main(arguments: Sequence[str] | None = None) -> int:
    asked = argparse.ArgumentParser(
        prog="scripts/validate_projection",
        description="Measure limbs that were scanned through their projections (beam hardening, streaks and noise from "
        "physics) and hold every value against its truth. Exit code 1 where a promise is broken.",
    )
    asked.add_argument("--only", action="append", choices=sorted(SCENES), help="only this scene; may be given again")
    asked.add_argument("--kvp", action="append", type=int, choices=KVP, help="only this tube voltage; again for more")
    asked.add_argument("--water-only", action="store_true", help="only soft kernel with water correction")
    asked.add_argument("--out", type=Path, help="also write what is printed to this file")
    given = asked.parse_args(arguments)
    names = [n for n in SCENES if not given.only or n in given.only]
    setups = [s for s in SETUPS if not given.kvp or s.kvp in given.kvp]
    setups = [s for s in setups if not given.water_only or (s.corrected and s.kernel == "soft")]
    since = time.monotonic()
    found = []
    for one in run(names, setups):
        found.append(one)
        mass = one.values.get("mineral_mass")
        note = one.failed or ("no mass" if mass is None else f"mass {100 * mass.error:+.1f} %, {mass.trust}")
        done = f"[{len(found)}/{len(names) * len(setups)}, {time.monotonic() - since:.0f} s]"
        print(f"{done} {one.scene} {one.setup.words.strip()}: {note}", file=sys.stderr, flush=True)
    judged = checks(found)
    command = "scripts/validate_projection " + " ".join(sys.argv[1:] if arguments is None else arguments)
    lines = [command.strip(), "", *(f"{n:10} {SCENES[n].words}" for n in names), "", *(c.line() for c in judged)]
    lines += ["", *solution_lines()]
    lines += ["", HEAD, *(line for f in found for line in row(f))]
    text = "\n".join(lines)
    print(text)
    if given.out is not None:
        given.out.write_text(text + "\n", encoding="utf-8")
    return 1 if any(c.held is False for c in judged) else 0
