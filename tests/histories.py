"""Phantom histories as time lines in memory, each analysed once for all tests."""

from __future__ import annotations

from functools import cache
from typing import Any

from coarse_truth import coarse_truth

from mineralize.base import Acquisition, Grid, InMemory, Scan, Volume
from mineralize.study import Study, analyse
from mineralize.timeline import Seed, Timeline
from phantoms import History, load_history


@cache
def history(name: str, seed: int, scans: tuple[int, ...] | None, sizes: tuple[tuple[str, Any], ...]) -> History:
    found = load_history(name, seed)
    return found.resized(**dict(sizes)) if sizes else found


def scan_of(found: History, i: int, number: int) -> Scan:
    shown = found.render(i)
    grid = Grid.from_parts(shown.hu.shape, shown.spacing, shown.origin, shown.directions, f"1.2.{number}")
    made = Acquisition(
        kvp=shown.kvp,
        kernel=shown.kernel,
        kernel_class=shown.kernel,  # type: ignore[arg-type]
        slice_thickness_mm=shown.thickness_mm,
        slice_spacing_mm=shown.spacing[0],
        pixel_spacing_mm=shown.spacing[1],
        contrast_agent=shown.contrast,
    )
    return Scan(number, shown.day, grid, made, InMemory(Volume(shown.hu, grid)), f"scan {number}")


@cache
def timeline(
    name: str, seed: int = 0, scans: tuple[int, ...] | None = None, with_seed: bool = True, **sizes: Any
) -> Timeline:
    """The chosen scans (from 0) of a history, numbered from 1; ``sizes`` goes to ``History.resized``."""
    found = history(name, seed, scans, tuple(sorted(sizes.items())))
    chosen = scans if scans is not None else tuple(range(len(found)))
    made = tuple(scan_of(found, i, n) for n, i in enumerate(chosen, start=1))
    x, y, z = (float(v) for v in found.centroid(chosen[0]))
    seeds = (Seed(1, (x, y, z)),) if with_seed else ()
    return Timeline(made, day_zero="onset", seeds=seeds)


@cache
def study(
    name: str, seed: int = 0, scans: tuple[int, ...] | None = None, with_seed: bool = True, **sizes: Any
) -> Study:
    """What the whole line finds in it."""
    return analyse(timeline(name, seed, scans, with_seed, **sizes))


def truth(name: str, seed: int, i: int, **sizes: Any) -> dict[str, float]:
    """True quantities of scan ``i`` (from 0), from the scene itself, over fewer cells."""
    with coarse_truth():
        return history(name, seed, None, tuple(sorted(sizes.items()))).truth(i)
