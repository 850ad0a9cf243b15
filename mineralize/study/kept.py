"""What stages made, kept by what they were made of, so that a change redoes only what follows from it.

A key is a digest of everything a stage reads: voxels, settings that it looks at, outlines and alignments before it.
Nothing is ever asked whether it is still valid: what was made of other content has another key.
"""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Callable
from dataclasses import dataclass, fields, is_dataclass, replace
from typing import Any, TypeVar
from weakref import WeakKeyDictionary

import numpy as np

from ..align import Alignment
from ..base import Floats, Note, Rigid, Scan, Settings, Volume
from ..bones import LesionZone, Skeleton
from ..lesion import (
    Candidate,
    Hand,
    Neighbourhood,
    Outline,
    SeenScan,
    Zones,
    candidates_of,
    drawn_together,
    find_lesion,
    look_at,
    outline_at,
)
from ..measure import Measured
from ..reference import Reference
from .steps import align_pair, measure_outlined, surroundings

Made = TypeVar("Made")

OF_THE_LESION = frozenset({"threshold_hu120", "other_thresholds_hu120", "zone_reach_mm"})
"""Settings of mineral that nothing looks at before the lesion is measured, but for a part marked by hand."""
RUNS = 4
"""What was not asked for in so many analyses is dropped."""
BOXES, RUNS_OF_BOXES = "box around the outline", 2
"""The stage whose results are arrays of voxels, some 20 MiB a scan, and are dropped sooner."""


@dataclass
class _Entry:
    value: object
    run: int
    runs: int


class Kept:
    """Results of stages in memory, for one :func:`analyse` after the other; threads may share it.

    It holds what the scans themselves take and a few MiB a scan for every change of the last ``RUNS`` analyses.
    """

    def __init__(self) -> None:
        self._entries: dict[bytes, _Entry] = {}
        self._run = 0
        self._lock = threading.Lock()
        self.made: dict[str, int] = {}
        """How often each stage was worked out since the last analysis began."""

    def begin(self) -> None:
        """A new analysis: count anew, and drop what has not been asked for lately."""
        with self._lock:
            self._run += 1
            self.made = {}
            self._entries = {key: entry for key, entry in self._entries.items() if entry.run >= self._run - entry.runs}

    def get(self, stage: str, content: tuple[object, ...], make: Callable[[], Made]) -> Made:
        """What ``make`` returned for this content before, or returns now."""
        key = digest(stage, content)
        with self._lock:
            entry = self._entries.get(key)
            if entry is not None:
                entry.run = self._run
                return entry.value  # type: ignore[return-value]
        value = make()
        with self._lock:
            self._entries[key] = _Entry(value, self._run, RUNS_OF_BOXES if stage == BOXES else RUNS)
            self.made[stage] = self.made.get(stage, 0) + 1
        return value


_VOXELS: WeakKeyDictionary[Volume, bytes] = WeakKeyDictionary()


def _voxels(volume: Volume) -> bytes:
    """Digest of a volume's voxels, which are read-only, worked out once."""
    known = _VOXELS.get(volume)
    if known is None:
        known = _VOXELS[volume] = hashlib.blake2b(np.ascontiguousarray(volume.hu).data, digest_size=16).digest()
    return known


def digest(*content: object) -> bytes:
    """16 bytes that tell content apart: numbers, texts, arrays, and tuples, mappings and dataclasses of them."""
    state = hashlib.blake2b(digest_size=16)
    for part in content:
        _feed(state, part)
    return state.digest()


def _feed(state: Any, value: object) -> None:
    state.update(f"{type(value).__qualname__}:".encode())
    if isinstance(value, np.ndarray):
        state.update(f"{value.dtype.str}{value.shape}".encode())
        state.update(np.ascontiguousarray(value).data)
    elif isinstance(value, bytes):
        state.update(value)
    elif isinstance(value, Volume):
        state.update(_voxels(value))
        _feed(state, value.grid)
    elif isinstance(value, Scan):
        # What identifies a scan, and how it is called, decides nothing.
        _feed(state, (value.number, value.acquisition, value.calibration, value.volume))
    elif isinstance(value, SeenScan):
        # Its skeleton follows from the scan and the settings.
        _feed(state, (value.scan, value.settings.align, plain(value.reference), value.hand))
    elif is_dataclass(value) and not isinstance(value, type):
        for field in fields(value):
            state.update(f"{field.name}=".encode())
            _feed(state, getattr(value, field.name))
    elif isinstance(value, dict):
        _feed(state, tuple(sorted(value.items())))
    elif isinstance(value, tuple | list):
        state.update(f"{len(value)}".encode())
        for part in value:
            _feed(state, part)
    elif value is None or isinstance(value, str | int | float | np.generic):
        state.update(repr(value).encode())
    else:
        raise TypeError(f"no digest of a {type(value).__name__}")


def plain(reference: Reference) -> Reference:
    """A reference without what other scans of the case say of it, which moves no outline."""
    return replace(reference, notes=(), cortex_off=None, slope_uncertainty=0.0)


@dataclass(frozen=True)
class Stages:
    """The stages that look at one scan or a pair, worked out unless they are kept; without ``keep`` always."""

    settings: Settings
    keep: Kept | None = None

    def _get(self, stage: str, content: tuple[object, ...], make: Callable[[], Made]) -> Made:
        made = make() if self.keep is None else self.keep.get(stage, content, make)
        for part in content:
            if isinstance(part, Scan | SeenScan):
                part.volume.rest()
        return made

    def _by_hand(self, hand: Hand) -> float | None:
        """How far a part reaches that a reader counts in or out follows from the threshold of mineral."""
        return self.settings.mineral.threshold_hu120 if len(hand.added) or len(hand.taken) else None

    def _outlining(self, hand: Hand) -> tuple[object, ...]:
        return self.settings.outline, self._by_hand(hand)

    def look(self, scan: Scan) -> SeenScan:
        """See :func:`mineralize.lesion.look_at`."""
        mineral = {k: v for k, v in vars(self.settings.mineral).items() if k not in OF_THE_LESION}

        def make() -> tuple[Skeleton, Reference]:
            seen = look_at(scan, self.settings)
            return seen.skeleton, seen.reference

        skeleton, reference = self._get("bones", (scan, self.settings.align, mineral), make)
        return SeenScan(scan, scan.volume, skeleton, reference, self.settings)

    def candidates(self, seen: SeenScan) -> tuple[Candidate, ...]:
        """See :func:`mineralize.lesion.candidates_of`."""
        return self._get("candidates", (seen,), lambda: candidates_of(seen))

    def find(self, seen: SeenScan, point: tuple[float, float, float]) -> Outline | None:
        """See :func:`mineralize.lesion.find_lesion`."""
        content = (seen, np.asarray(point, float), *self._outlining(seen.hand))
        return self._get("first outline", content, lambda: find_lesion(seen, point, self.settings))

    def align(self, seen: dict[int, SeenScan], number: int, base: int, zone: LesionZone) -> Alignment:
        """See :func:`mineralize.study.steps.align_pair`."""
        # Bone knows nothing of what a reader says about the lesion.
        content = (*(replace(seen[n], hand=Hand()) for n in (number, base)), zone)
        return self._get("alignment", content, lambda: align_pair(seen, number, base, zone, self.settings))

    def outline(
        self, seen: SeenScan, alignment: Alignment, base: SeenScan, first: Outline | None, own_seed: Floats | None
    ) -> tuple[Outline | None, list[Note]]:
        """See :func:`mineralize.lesion.outline_at`."""
        source = {base.scan.number: first}
        return self._get(
            "outline",
            # Where the lesion slid it is told by what else of its like the base scan holds.
            (seen, alignment, base.scan, plain(base.reference), first, own_seed, *self._outlining(seen.hand)),
            lambda: outline_at(seen, alignment, base, source, own_seed, settings=self.settings),
        )

    def draw_together(
        self,
        seen: dict[int, SeenScan],
        motions: dict[int, Rigid],
        outlines: dict[int, Outline | None],
        base: int,
    ) -> dict[int, Outline]:
        """See :func:`mineralize.lesion.drawn_together`."""
        content = tuple(part for n in sorted(motions) for part in (seen[n], motions[n], outlines[n]))
        return self._get("drawn together", (*content, base), lambda: drawn_together(seen, motions, outlines, base))

    def measure(self, seen: SeenScan, outline: Outline | None) -> Measured | None:
        """See :func:`mineralize.study.steps.measure_outlined`."""
        content = (seen, seen.reference, outline, self.settings.mineral, self.settings.zones)
        return self._get("measure", content, lambda: measure_outlined(seen, outline, self.settings, self._around))

    def _around(self, seen: SeenScan, outline: Outline) -> tuple[Neighbourhood, Zones]:
        content = (seen, outline, self._by_hand(seen.hand))
        return self._get(BOXES, content, lambda: surroundings(seen, outline))
