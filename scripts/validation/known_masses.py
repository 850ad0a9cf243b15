"""The command behind scripts/validate_rods: masses known from outside, measured by the program."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

from . import inserts, trabeculae
from .trabeculae import Through

ADDED_MG = (1.0, 2.0, 3.0, 4.0)
VIEWS = (
    Through(),
    Through(slice_mm=0.6),
    Through(slice_mm=2.0),
    Through(slice_mm=3.0),
    Through(pixel_mm=0.5, fwhm_mm=0.9),
    Through(pixel_mm=1.0, fwhm_mm=1.8),
    Through(pixel_mm=1.0, slice_mm=3.0, fwhm_mm=1.8),
    Through(noise_hu=30.0),
    Through(kvp=80.0),
    Through(kvp=140.0),
    Through(marrow_hu=0.0),
    Through(marrow_hu=-80.0),
)


def parser() -> argparse.ArgumentParser:
    made = argparse.ArgumentParser(
        prog="scripts/validate_rods",
        description="Measure masses of hydroxyapatite that are known from outside. Needs the openly licensed scans.",
    )
    made.add_argument(
        "--data",
        type=Path,
        default=Path(os.environ.get("MINERALIZE_CTDATA", "")),
        help="folder of the scans (default: MINERALIZE_CTDATA)",
    )
    made.add_argument("--quick", action="store_true", help="without the least mass that is seen, which takes a minute")
    return made


def main(arguments: Sequence[str] | None = None) -> int:
    asked = parser()
    given = asked.parse_args(arguments)
    if not (given.data / inserts.ARCHIVE).is_file() or not (given.data / trabeculae.FILE).is_file():
        asked.error("the scans are not there; give their folder with --data or in MINERALIZE_CTDATA")
    print("scripts/validate_rods " + ("--quick" if given.quick else ""))
    for line in (*insert_lines(given.data), *(() if given.quick else least_lines(given.data))):
        print(line)
    for line in trabecular_lines(given.data):
        print(line)
    return 0


def insert_lines(data: Path) -> Iterator[str]:
    """Nine cylinders by the table's slope and by the rods'."""
    yield ""
    yield "scanned hydroxyapatite cylinders, 120 kV, 3 mm slices, mg; outline drawn as a ball 3 mm larger"
    table, rods = inserts.seen(data, False), inserts.seen(data, True)
    for name, where in (("table", table), ("rods", rods)):
        own = where.reference
        yield (
            f"  {name}: {own.slope:.3f} HU per mg/cm3 +-{100 * own.slope_uncertainty:.1f} %, from {own.slope_source}; "
            f"noise {own.noise_hu:.0f} HU"
        )
    half = "  mass  [   low   high]  error  in  "
    yield f"  mg/cm3  size  nominal (tolerance)   simple | {half} | {half}"
    for one in inserts.INSERTS:
        cells = [_insert_cell(inserts.mass_of(where, one), one) for where in (table, rods)]
        simple = inserts.SIMPLE_MG.get((one.mg_cm3, one.size_mm))
        yield (
            f"  {one.mg_cm3:6d}  {one.size_mm:2d} mm  {one.nominal_mg:7.2f} (+-{one.tolerance_mg:5.2f})  "
            f"{'      -' if simple is None else f'{simple:7.1f}'} | {' | '.join(cells)}"
        )
    yield "  left by the table, right by the rods; in: the 95 % interval holds the nominal mass; (in): it does with the"
    yield "  nominal's own tolerance (0.1 mm on each length)"


def _insert_cell(found: inserts.Estimate, one: inserts.Insert) -> str:
    assert found.value is not None
    low, high = found.interval
    held = "in" if low <= one.nominal_mg <= high else "out"
    if held == "out" and low - one.tolerance_mg <= one.nominal_mg <= high + one.tolerance_mg:
        held = "(in)"
    return f"{found.value:6.2f}  [{low:6.2f} {high:6.2f}] {100 * (found.value / one.nominal_mg - 1):+6.1f}%  {held:4s}"


def least_lines(data: Path) -> Iterator[str]:
    """The least mass that is seen: balls of 3 mm added to the phantom's own noise."""
    yield ""
    yield f"least mass: balls of 3 mm added to the same scan at {len(inserts.BLANKS)} empty places; seen: low above 0"
    yield "  added mg   mean mg   spread (1 SD)   noise stated (2 SD)   seen"
    found = [inserts.seen_share(inserts.seen(data, False), mass) for mass in ADDED_MG]
    for one in found:
        yield (
            f"  {one.mass_mg:8.1f}  {one.mean_mg:8.2f}  {one.spread_mg:14.2f}  {one.stated_noise_mg:20.2f}  "
            f"{100 * one.above_zero:4.0f} %"
        )
    enough = [one.mass_mg for one in found if one.above_zero >= 0.95]
    yield f"  detection limit (seen at 95 % of the places or more): {min(enough):g} mg" if enough else "  none seen"


def trabecular_lines(data: Path) -> Iterator[str]:
    """Real trabeculae through clinical voxels."""
    truth, volume = trabeculae.true_mass_mg(data), trabeculae.bone_volume_mm3(data)
    yield ""
    yield f"real trabeculae in a cube of 12.5 mm: {truth:.1f} mg, {volume:.0f} mm3 of bone by the fine voxels"
    yield "  pixel  slice   blur  noise   kV  marrow |   mass  [   low    high]  error  in | over 150 HU120, of bone"
    for how in VIEWS:
        found = trabeculae.measured(data, how)
        mass, over = found["mineral_mass"], found["mineral_volume"]
        assert mass.value is not None
        assert over.value is not None
        low, high = mass.interval
        yield (
            f"  {how.pixel_mm:5.2f}  {how.slice_mm:5.1f}  {how.fwhm_mm:5.1f}  {how.noise_hu:5.0f}  {how.kvp:3.0f}  "
            f"{how.marrow_hu:6.0f} | {mass.value:6.1f}  [{low:6.1f}  {high:6.1f}] "
            f"{100 * (mass.value / truth - 1):+5.1f}%  {'in' if low <= truth <= high else 'out':3s}| "
            f"{over.value:6.0f} mm3  {over.value / volume:5.2f} times"
        )


if __name__ == "__main__":
    sys.exit(main())
