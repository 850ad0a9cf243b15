"""Histories to scans in memory (or to DICOM) with their truth, kept on disk for the next run when asked."""

from __future__ import annotations

import hashlib
import pickle
import time
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

import phantoms
from phantoms import History
from phantoms.files import faults

from .histories import Job, history_of

Floats = Any


@dataclass(frozen=True, eq=False)
class Picture:
    """One scan with all that is known about it.

    ``hu`` int16 [slice, row, column]; ``inside`` are LPS mm points of the lesion, for 'is this point in it'.
    ``facts`` are the settings that results are sorted by.
    """

    hu: Floats
    spacing: tuple[float, float, float]
    origin: Floats
    directions: Floats
    to_body: Floats
    day: int
    kvp: float
    kernel: str
    thickness_mm: float
    contrast: bool
    truth: dict[str, float]
    centroid: Floats
    inside: Floats
    in_view: bool
    faults: tuple[str, ...]
    noise: float


@dataclass(frozen=True, eq=False)
class Prepared:
    """A rendered history. ``seed_point`` is (scan number from 1, LPS mm)."""

    job: Job
    pictures: tuple[Picture, ...]
    seed_point: tuple[int, tuple[float, float, float]]
    pinned: bool
    seconds: float


def prepare(job: Job, cache: Path | None = None) -> Prepared:
    """Render a history; taken from ``cache`` when neither it nor the phantoms changed."""
    history = history_of(job)
    kept = None if cache is None else cache / f"{_key(job, history)}.bin"
    if kept is not None and kept.is_file():
        held: Prepared = pickle.loads(zlib.decompress(kept.read_bytes()))
        return held
    since = time.process_time()
    pictures = tuple(_picture(history, i) for i in range(len(history)))
    made = Prepared(
        job,
        pictures,
        _seed_point(history, pictures),
        bool(history.table.get("pinned", True)),
        time.process_time() - since,
    )
    if kept is not None:
        kept.parent.mkdir(parents=True, exist_ok=True)
        part = kept.with_suffix(".part")
        part.write_bytes(zlib.compress(pickle.dumps(made, protocol=5), 1))
        part.replace(kept)
    return made


def _key(job: Job, history: History) -> str:
    digest = hashlib.sha256(repr((job, history.name, history.seed, history.table)).encode())
    for path in sorted(Path(str(phantoms.__file__)).parent.glob("*.py")):
        digest.update(path.read_bytes())
    digest.update(Path(__file__).read_bytes())
    return f"{job.label}-{job.seed}-{digest.hexdigest()[:16]}"


def _picture(history: History, i: int) -> Picture:
    scan = history.render(i)
    settings = history.scans[i]
    found = tuple(faults(settings))
    if settings.get("track") is not None:
        found += ("track",)
    return Picture(
        hu=np.rint(scan.hu).astype(np.int16),
        spacing=scan.spacing,
        origin=scan.origin,
        directions=scan.directions,
        to_body=scan.to_body,
        day=scan.day,
        kvp=scan.kvp,
        kernel=scan.kernel,
        thickness_mm=scan.thickness_mm,
        contrast=scan.contrast,
        truth=dict(scan.truth),
        centroid=np.asarray(scan.lesion_centroid),
        inside=_inside(history, i),
        in_view=bool(history.lesion_in_view(i)) and not settings["lesion_absent"],
        faults=found,
        noise=float(settings["noise"]),
    )


def _inside(history: History, i: int) -> Floats:
    """Some 20,000 random points of the lesion, LPS mm."""
    if history.scans[i]["lesion_absent"]:
        return np.zeros((0, 3))
    lesion = history.lesions(i)[0]
    rng = np.random.default_rng(11)
    cloud = rng.uniform(-1, 1, (40_000, 3)) * lesion.reach + np.asarray(lesion.centre)
    body = cloud[history.scene(i).in_lesion(cloud)]
    back = np.linalg.inv(history.to_body(i))
    return np.asarray(body @ back[:3, :3].T + back[:3, 3], np.float32)


def _seed_point(history: History, pictures: tuple[Picture, ...]) -> tuple[int, tuple[float, float, float]]:
    """What a user would point at: near the centre in the scan that ``case.toml`` names, or one in the middle."""
    case = history.table.get("case", {})
    shown = [i + 1 for i, p in enumerate(pictures) if p.in_view and not p.faults] or [1]
    number = int(case.get("lesion_seed", 0)) or shown[len(shown) // 2]
    place = pictures[number - 1].centroid + np.array([2.0, -1.5, 1.0])
    if "seed_body" in case:
        back = np.linalg.inv(history.to_body(number - 1))
        place = back[:3, :3] @ np.asarray(case["seed_body"], float) + back[:3, 3]
    return number, (float(place[0]), float(place[1]), float(place[2]))
