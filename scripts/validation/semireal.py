"""Histories of lesions drawn into real limbs (`semireal_draw`): values against the truth, by how near bone lies."""

from __future__ import annotations

import hashlib
import pickle
import statistics
import sys
import time
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from scipy import ndimage

from mineralize import Seed, Timeline, analyse, timeline
from mineralize.base import Acquisition, Grid, InMemory, MineralizeError, Scan, Volume
from phantoms.lesion import Lesion

from . import semireal_draw
from .bone import Row as OneCase
from .invented_hip import KVP, SPACING, invented_hip
from .real import CASES
from .semireal_draw import Drawn, FineBone, Limb, placed

Floats = Any
TUNING = ("thigh", "lower legs", "knee without mineral", "buttock", "hand")
HELD_OUT = ("knee",)
"""Limbs that nothing was tuned on: a thigh above the knee."""
INVENTED = "invented hip"
"""A hip made of solids, to be tuned on (seeds 1-10)."""
GAPS_MM = {"free": (5.0, 12.0), "near": (0.4, 3.0), "attached": (-4.0, -0.7)}
"""Strata: how far the outline lies from cortex, or how deep it reaches into it."""
QUANTITIES = {
    "lesion_volume": (True, 0.08),
    "mineral_mass": (True, 0.08),
    "rim_core_ratio": (True, 0.06),
    "longest_diameter": (True, 0.06),
    "cortex_gap": (False, 1.0),
    "cortex_contact_area": (True, 0.40),
    "cleft_fraction": (False, 0.25),
}
"""Whether an error counts relative to the truth, and the largest that a trusted value may have (own judgement of what a
reader can live with). A cautioned one may have three times that."""
SMALL_CONTACT_MM2 = 40.0
"""Errors of a contact smaller than this count as shares of it."""
DAYS = (20, 70, 160)
COURSE: dict[str, tuple[float, ...]] = {
    "scale": (1.0, 0.97, 0.92),
    "shell_mm": (1.6, 2.2, 2.7),
    "mineral_mg": (260.0, 430.0, 600.0),
    "coverage": (0.8, 0.97, 1.0),
    "fuzz_mm": (0.9, 0.6, 0.4),
    "core_fat": (0.0, 0.1, 0.5),
}
"""A lesion that matures, scan by scan."""
EDGE_MM = 9.0
"""So far from the ends of the scan a lesion is drawn."""


@dataclass(frozen=True, eq=False)
class Case:
    """One history: int16 HU of every scan with the lesion drawn in, and what is true of each."""

    limb: str
    stratum: str
    seed: int
    gap_mm: float
    scans: tuple[Floats, ...]
    truths: tuple[dict[str, float], ...]

    @property
    def name(self) -> str:
        return f"{self.limb}, {self.stratum} {self.gap_mm:+.1f} mm, seed {self.seed}"


@dataclass(frozen=True, kw_only=True)
class Row(OneCase):
    """One quantity of one scan; ``value`` is ``None`` where it is withheld or the lesion was not found."""

    stratum: str
    limb: str
    scan: int
    reason: str

    @property
    def error(self) -> float | None:
        if self.value is None:
            return None
        relative, _ = QUANTITIES[self.quantity]
        size = max(self.truth, SMALL_CONTACT_MM2 if self.quantity == "cortex_contact_area" else 1e-9)
        return abs(self.value - self.truth) / (size if relative else 1.0)

    @property
    def silent(self) -> bool:
        """Trusted, outside its interval, and wrong by more than is allowed to a trusted value."""
        limit = QUANTITIES[self.quantity][1]
        return self.trust == "ok" and self.error is not None and self.error > limit and not self.inside

    @property
    def gross(self) -> bool:
        """Cautioned, and wrong by more than three times what is allowed to a trusted value."""
        return self.trust == "caution" and self.error is not None and self.error > 3 * QUANTITIES[self.quantity][1]


@cache
def limb_of(name: str, root: Path) -> tuple[Limb, Scan]:
    """A real scan (or the invented one) as drawn into, and as the program read it."""
    scan = _invented() if name == INVENTED else timeline.read(root / CASES[name][0]).scans[0]
    hu = np.array(scan.volume.hu)
    return Limb(hu, np.asarray(scan.grid.spacing), float(scan.acquisition.kvp or 140.0)), scan


def _invented() -> Scan:
    hu = invented_hip()
    grid = Grid.from_parts(hu.shape, list(SPACING), [0.0, 0.0, 0.0], np.eye(3))
    made = Acquisition(
        kvp=KVP,
        kernel="standard",
        kernel_class="standard",
        slice_thickness_mm=SPACING[0],
        slice_spacing_mm=SPACING[0],
        pixel_spacing_mm=SPACING[1],
    )
    return Scan(1, 0, grid, made, InMemory(Volume(hu, grid)))


def cases(
    limbs: Sequence[str],
    strata: Sequence[str],
    seeds: Sequence[int],
    scans: int,
    root: Path,
    cache: Path | None = None,
) -> Iterator[Case]:
    """One history for every limb, stratum and seed that has a place for it; drawn ones are kept in ``cache``."""
    own = b"".join(Path(str(module.__file__)).read_bytes() for module in (semireal_draw, sys.modules[__name__]))
    for name in limbs:
        for stratum in strata:
            for seed in seeds:
                key = hashlib.sha256(own + repr((name, stratum, seed, scans)).encode()).hexdigest()[:16]
                kept = None if cache is None else cache / f"{key}.bin"
                if kept is not None and kept.is_file():
                    yield pickle.loads(zlib.decompress(kept.read_bytes()))
                    continue
                made = _case(name, stratum, seed, scans, root)
                if made is None:
                    print(f"{name}, {stratum}, seed {seed}: no place for it", file=sys.stderr)
                    continue
                if kept is not None:
                    kept.parent.mkdir(parents=True, exist_ok=True)
                    kept.write_bytes(zlib.compress(pickle.dumps(made, protocol=5), 1))
                yield made


def _case(name: str, stratum: str, seed: int, scans: int, root: Path) -> Case | None:
    drawn, gap = _drawn(name, stratum, seed, scans, root)
    if not drawn:
        return None
    return Case(name, stratum, seed, gap, tuple(d.rendered() for d in drawn), tuple(d.truth() for d in drawn))


def _drawn(name: str, stratum: str, seed: int, scans: int, root: Path) -> tuple[list[Drawn], float]:
    limb, _ = limb_of(name, root)
    rng = np.random.default_rng([seed, *name.encode(), *stratum.encode()])
    small = name == "hand"
    radii = rng.uniform(*((5.0, 8.0) if small else (8.0, 16.0)), 3)
    gap = float(rng.uniform(*GAPS_MM[stratum]))
    first = Lesion(
        radii=(float(radii[0]), float(radii[1]), float(max(radii[2], 11.0))),
        angles=(float(rng.uniform(-20, 20)), float(rng.uniform(-20, 20)), float(rng.uniform(0, 180))),
        lobes=float(rng.uniform(0.01, 0.06)),
        shape_seed=int(rng.integers(1, 900)),
        haze_mg=float(rng.uniform(0, 5)),
        soft_hu=float(rng.uniform(-12, -4)),
    )
    found = _place(limb, first, gap, rng)
    if found is None:
        return [], gap
    lesion, bone = found
    drawn = []
    for i in range(scans):
        now: dict[str, Any] = {key: values[i] for key, values in COURSE.items() if key != "scale"}
        x, y, z = (r * COURSE["scale"][i] for r in lesion.radii)
        drawn.append(Drawn(limb, replace(lesion, radii=(x, y, z), **now), bone))
    return drawn, gap


def _place(limb: Limb, lesion: Lesion, gap: float, rng: np.random.Generator) -> tuple[Lesion, FineBone] | None:
    """A place on bone with soft tissue, no other mineral and no border of the scan where the lesion would lie."""
    solid = ndimage.gaussian_filter(limb.bone.astype(np.float32), (0.5, 1.5, 1.5))
    border = np.argwhere((solid > 0.4) & (solid < 0.6))
    slope = np.stack(np.gradient(solid, *limb.spacing), axis=-1)
    size = np.asarray(limb.hu.shape) * limb.spacing
    for _ in range(4000):
        at = border[int(rng.integers(len(border)))]
        outward = -slope[tuple(at)]
        outward[0] *= 0.3
        outward /= max(float(np.linalg.norm(outward)), 1e-9)
        middle = at * limb.spacing + outward * (gap + lesion.radii[0])
        if ((middle < lesion.reach + EDGE_MM) | (middle > size - lesion.reach - EDGE_MM)).any():
            continue
        z, y, x = (float(v) for v in middle)
        if not _room(limb, replace(lesion, centre=(x, y, z))):
            continue
        moved, bone = placed(limb, lesion, at * limb.spacing, outward, gap)
        if _room(limb, moved):
            return moved, bone
    return None


def _room(limb: Limb, lesion: Lesion) -> bool:
    middle = np.asarray(lesion.centre)[::-1]
    low = np.maximum(((middle - lesion.reach - 8) / limb.spacing).astype(int), 0)
    high = ((middle + lesion.reach + 8) / limb.spacing).astype(int) + 1
    if (high >= limb.hu.shape).any() or (low <= 0).any():
        return False
    index = np.stack(np.meshgrid(*(np.arange(a, b) for a, b in zip(low, high, strict=True)), indexing="ij"), -1)
    points = index.reshape(-1, 3) * limb.spacing
    hu = limb.steady[tuple(index.reshape(-1, 3).T)]
    within = lesion.outside_mm(points[:, ::-1].astype(np.float32)) < 2.0
    in_bone = limb.bone[tuple(index.reshape(-1, 3).T)]
    if (hu[within] < -150).any() or (within & in_bone).sum() > 0.25 * within.sum():
        return False
    near = lesion.outside_mm(points[:, ::-1].astype(np.float32)) < 6.0
    clear = (
        ndimage.distance_transform_edt(
            ~limb.bone[tuple(slice(a, b) for a, b in zip(low, high, strict=True))], sampling=limb.spacing
        ).ravel()
        > 4.0
    )
    return float((hu[near & clear] > 180).mean()) < 0.002


def history_of(case: Case, scan: Scan) -> Timeline:
    """The scans in memory, each a little turned and moved, with a point in the middle one."""
    rng = np.random.default_rng([case.seed, 5])
    scans = []
    seeds: tuple[Seed, ...] = ()
    for i, (hu, truth) in enumerate(zip(case.scans, case.truths, strict=True)):
        turn = np.radians(float(rng.uniform(-4, 4)) * (i > 0))
        about = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1.0]])
        moved = np.asarray(scan.grid.affine)[:3, 3] + rng.uniform(-6, 6, 3) * (i > 0)
        directions = about @ np.asarray(scan.grid.directions)
        grid = Grid.from_parts(scan.grid.shape, list(scan.grid.spacing), list(moved), directions)
        scans.append(replace(scan, number=i + 1, day=DAYS[i], grid=grid, source=InMemory(Volume(hu, grid))))
        if i == len(case.scans) // 2:
            middle = np.array([truth[f"centroid_{a}"] for a in "zyx"]) / scan.grid.spacing
            x, y, z = (float(v) for v in grid.to_world(middle[None])[0] + np.array([1.5, -1.0, 1.0]))
            seeds = (Seed(i + 1, (x, y, z)),)
    return Timeline(tuple(scans), seeds=seeds)


def measured(case: Case, root: Path) -> list[Row]:
    """All values of one history."""
    since = time.process_time()
    _, scan = limb_of(case.limb, root)
    line = history_of(case, scan)
    asked = ""
    found: dict[tuple[int, str], Any] = {}
    try:
        study = analyse(line, jobs=1)
        found = {(row.scan, row.quantity): row for row in study.measurements}
    except MineralizeError as error:
        asked = str(error)
    rows = []
    for i, truth in enumerate(case.truths):
        for quantity in QUANTITIES:
            if truth[quantity] != truth[quantity]:
                continue
            row = found.get((i + 1, quantity))
            told = (None, None, None, "withheld") if row is None else (row.value, row.low, row.high, row.trust)
            rows.append(
                Row(
                    case.name,
                    quantity,
                    truth[quantity],
                    *told,
                    stratum=case.stratum,
                    limb=case.limb,
                    scan=i + 1,
                    reason=(asked or "not outlined") if row is None else row.reason,
                )
            )
    print(f"{case.name}: {time.process_time() - since:.0f} s", file=sys.stderr, flush=True)
    return rows


def table(rows: Sequence[Row], verbose: bool = False) -> tuple[str, bool]:
    """The tables as text, and whether no trusted value was silently wrong."""
    lines = []
    for row in rows:
        if verbose or row.silent or row.gross:
            read = "".join(f"{'-' if v is None else f'{v:.2f}':>10}" for v in (row.value, row.low, row.high))
            mark = "  SILENT" if row.silent else "  GROSS" if row.gross else "  outside" if row.inside is False else ""
            name = f"{row.case} scan {row.scan}"
            lines.append(f"{name:<52}{row.quantity:<20}{row.truth:>10.2f}{read}  {row.trust}{mark}  {row.reason[:90]}")
    head = f"{'stratum':<10}{'quantity':<20}{'n':>4}{'ok':>5}{'caut':>5}{'withh':>6}{'inside':>8}"
    lines += ["", head + f"{'ok: median':>11}{'worst':>8}{'caution: median':>17}{'worst':>8}{'silent':>8}{'gross':>6}"]
    for stratum in (*GAPS_MM, "all"):
        for quantity in QUANTITIES:
            own = [r for r in rows if r.quantity == quantity and stratum in (r.stratum, "all")]
            if own:
                lines.append(_line(stratum, quantity, own))
    held = [r for r in rows if r.inside is not None]
    lines.append(
        f"\nintervals that hold: {sum(bool(r.inside) for r in held)} of {len(held)}; withheld "
        f"{sum(r.value is None for r in rows)} of {len(rows)}; silently wrong {sum(r.silent for r in rows)}; cautioned "
        f"and more than three times the limit off {sum(r.gross for r in rows)}"
    )
    return "\n".join(lines), not any(r.silent for r in rows)


def _line(stratum: str, quantity: str, own: Sequence[Row]) -> str:
    by = {trust: [r for r in own if r.trust == trust] for trust in ("ok", "caution", "withheld")}
    stated = [r for r in own if r.inside is not None]
    text = f"{stratum:<10}{quantity:<20}{len(own):>4}" + "".join(
        f"{len(by[t]):>{w}}" for t, w in (("ok", 5), ("caution", 5), ("withheld", 6))
    )
    text += f"{sum(bool(r.inside) for r in stated):>4}/{len(stated):<3}"
    for trust, width in (("ok", 11), ("caution", 17)):
        off = [r.error for r in by[trust] if r.error is not None]
        text += f"{statistics.median(off):>{width}.3f}{max(off):>8.3f}" if off else f"{'-':>{width}}{'-':>8}"
    return text + f"{sum(r.silent for r in own):>8}{sum(r.gross for r in own):>6}"
