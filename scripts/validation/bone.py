"""Lesions beside bone: one scan each, the place moved towards the bone; gap, contact and cleft against the truth."""

from __future__ import annotations

import statistics
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from mineralize import Seed, Timeline, analyse
from mineralize.base import Acquisition, Grid, InMemory, Scan, Volume
from phantoms.history import History, load_history

QUANTITIES = (
    "lesion_volume",
    "mineral_mass",
    "rim_core_ratio",
    "zonal_contrast",
    "cortex_gap",
    "cortex_contact_area",
    "cleft_fraction",
)
PARTED_MM = (0.3, 0.7, 1.0, 1.5, 2.2, 3.0)
"""Gaps of a free shell."""
ATTACHED_MM = (-1.0, -2.0, -4.0)
"""How far a shell was laid into the bone."""
PLATE = {
    "radius": 19.0, "oval": 0.72, "oval_deg": 30.0, "cortex": 1.8, "ridge": 0.0, "bump": 0.0, "flare": 0.3,
    "bow": (0.0, -14.0), "marrow_mg": 170.0,
}  # fmt: skip
"""A bone some 65 mm wide and 11 mm thick with a thin cortex, bent both ways, as a hip bone or a shoulder blade is."""
LARGE = {"radii": [17.0, 14.0, 19.0]}
HARD: dict[str, tuple[str, float, Mapping[str, Any] | None, Mapping[str, Any] | None]] = {
    "plate": ("beside-cortex", 0.7, PLATE, {"place": {"deg": 120}, **LARGE}),
    "plate, attached": ("broad-attachment", -2.0, PLATE, {"place": {"deg": 120}}),
    "slanting": ("beside-cortex", 1.0, {"slant": (0.45, -0.2)}, {"angles": [0.0, 22.0, 30.0]}),
    "slanting, attached": ("broad-attachment", -2.5, {"slant": (0.45, -0.2)}, {"angles": [0.0, 22.0, 30.0]}),
    "near a thick femur": ("beside-cortex", 2.2, {"radius": 16.5, "cortex": 8.0, "ridge": 6.0}, LARGE),
    "broad on a slim bone": ("broad-attachment", -3.0, {"radius": 10.5, "cortex": 5.0, "ridge": 6.0}, LARGE),
}
"""Base history, gap, what differs of its bone and of its lesion."""
LEAST_HELD = 0.90
"""Share of intervals that must hold the truth."""


@dataclass(frozen=True)
class Case:
    """A history of one scan, and what it is called in the table."""

    name: str
    history: History


@dataclass(frozen=True)
class Row:
    """One quantity of one case: truth, value with interval, trust; ``value`` is ``None`` where it is withheld."""

    case: str
    quantity: str
    truth: float
    value: float | None
    low: float | None
    high: float | None
    trust: str

    @property
    def inside(self) -> bool | None:
        """Whether the interval holds the truth; ``None`` where nothing is stated."""
        if self.value is None or self.low is None or self.high is None:
            return None
        return self.low - 1e-6 <= self.truth <= self.high + 1e-6


def cases(seeds: Sequence[int], slices: Sequence[float]) -> Iterator[Case]:
    """Free and attached shells for every seed and slice."""
    for seed in seeds:
        for thickness in slices:
            for base, scan, gaps in (("beside-cortex", 1, PARTED_MM), ("broad-attachment", 1, ATTACHED_MM)):
                for gap in gaps:
                    name = f"{'parted' if gap > 0 else 'attached'} {gap:+.1f} mm, slices {thickness:g} mm, seed {seed}"
                    yield Case(name, _moved(base, scan, gap, thickness, seed))


def hard_cases(seeds: Sequence[int], slices: Sequence[float]) -> Iterator[Case]:
    """What went wrong on held-out histories, built anew: a thin curved plate, slanting bone, broad bases."""
    for seed in seeds:
        for thickness in slices:
            for name, (base, gap, bone, more) in HARD.items():
                history = _moved(base, 1, gap, thickness, seed, bone, more)
                yield Case(f"{name} {gap:+.1f} mm, slices {thickness:g} mm, seed {seed}", history)


def _moved(
    base: str,
    scan: int,
    gap_mm: float,
    slice_mm: float,
    seed: int,
    bone: Mapping[str, Any] | None = None,
    more: Mapping[str, Any] | None = None,
) -> History:
    found = load_history(base, seed)
    lesion = {**found.table["lesion"], **(more or {})}
    lesion["place"] = {**found.table["lesion"]["place"], **lesion["place"], "gap_mm": gap_mm, "gap_jitter": 0.0}
    own = {**found.table.get("bone", {}), **(bone or {})}
    table = {**found.table, "lesion": lesion, "bone": own, "scans": [found.table["scans"][scan]]}
    return replace(found, table=table).resized(slice_mm=slice_mm)


def measured(case: Case) -> list[Row]:
    """The quantities of one case, measured from its centre."""
    print(case.name, file=sys.stderr)
    shown, truth = case.history.render(0), case.history.truth(0)
    grid = Grid.from_parts(shown.hu.shape, shown.spacing, shown.origin, shown.directions)
    made = Acquisition(
        kvp=shown.kvp,
        kernel=shown.kernel,
        kernel_class=shown.kernel,  # type: ignore[arg-type]
        slice_thickness_mm=shown.thickness_mm,
        slice_spacing_mm=shown.spacing[0],
        pixel_spacing_mm=shown.spacing[1],
    )
    x, y, z = (float(v) for v in case.history.centroid(0))
    scan = Scan(1, 0, grid, made, InMemory(Volume(shown.hu, grid)))
    study = analyse(Timeline((scan,), seeds=(Seed(1, (x, y, z)),)), jobs=1)
    rows = {row.quantity: row for row in study.measurements}
    return [
        Row(case.name, q, float(truth[q]), rows[q].value, rows[q].low, rows[q].high, rows[q].trust)
        for q in QUANTITIES
        if truth[q] == truth[q]
    ]


def table(rows: Sequence[Row]) -> tuple[str, bool]:
    """The table as text, and whether the intervals hold often enough."""
    lines = ["", f"{'case':<46}{'quantity':<22}{'truth':>9}{'read':>9}{'low':>9}{'high':>9}  trust"]
    for row in rows:
        read = "".join(f"{'-' if v is None else f'{v:.2f}':>9}" for v in (row.value, row.low, row.high))
        mark = "  outside" if row.inside is False else ""
        lines.append(f"{row.case:<46}{row.quantity:<22}{row.truth:>9.2f}{read}  {row.trust}{mark}")
    lines.append("")
    stated = [row for row in rows if row.inside is not None]
    for quantity in QUANTITIES:
        own = [row for row in stated if row.quantity == quantity]
        if not own:
            continue
        held = sum(bool(row.inside) for row in own)
        off = [abs((row.value or 0.0) - row.truth) for row in own]
        words = (
            f"{quantity}: inside {held} of {len(own)}; error median {statistics.median(off):.3g}, worst {max(off):.3g}"
        )
        scaled = [e / row.truth for e, row in zip(off, own, strict=True) if row.truth > 0]
        if quantity in ("lesion_volume", "mineral_mass", "cortex_contact_area") and scaled:
            words += (
                f"; of the truth where there is some: median {statistics.median(scaled):.1%}, worst {max(scaled):.1%}"
            )
        lines.append(words)
    share = sum(bool(row.inside) for row in stated) / max(len(stated), 1)
    lines.append(f"inside in all: {share:.1%} of {len(stated)} (limit {LEAST_HELD:.0%})")
    return "\n".join(lines), share >= LEAST_HELD
