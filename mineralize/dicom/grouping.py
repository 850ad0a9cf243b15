"""Planes sorted into studies, series and parts that could each be one volume.

Labels are neutral and stable: studies are numbered in time order, series within a study by series number and
time. A series that holds several kinds of image (a localizer among axial slices, two tube voltages, two energies) is
split into parts, each judged alone.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from .image import Image, When
from .times import moment

ONE_VISIT = timedelta(hours=20)
"""Scans of one study further apart than this are two points in time."""
SAME_DIRECTION = 2e-3
"""Direction cosines that differ by less belong to one stack (0.1 degree)."""


@dataclass(frozen=True)
class Part:
    """Images that may form one volume. ``part`` is 0 when the series has only one."""

    study: int
    series: int
    part: int
    images: tuple[Image, ...]

    @property
    def label(self) -> str:
        """Neutral name for messages."""
        return f"study {self.study} series {self.series}" + (f" part {self.part}" if self.part else "")

    @property
    def first(self) -> Image:
        return self.images[0]


@dataclass(frozen=True)
class StudyGroup:
    """One study: its number in time order, its parts, and the earliest moment of acquisition of a CT image."""

    number: int
    when: When
    parts: tuple[Part, ...]


def group(images: Iterable[Image]) -> tuple[StudyGroup, ...]:
    """Studies in time order; those without a date stand last, in reading order."""
    studies: dict[str, list[Image]] = defaultdict(list)
    for image in images:
        studies[image.ids.study].append(image)
    visits = [visit for members in studies.values() for visit in _visits(members)]
    return tuple(_study(number, visit) for number, visit in enumerate(sorted(visits, key=_study_key), 1))


def _visits(images: list[Image]) -> list[list[Image]]:
    """One study that holds scans of several days (some archives merge them) is several points in time."""
    series: dict[str, list[Image]] = defaultdict(list)
    for image in images:
        series[image.ids.series].append(image)
    scanned = {
        uid: at
        for uid, members in series.items()
        if members[0].ids.modality == "CT"
        and members[0].making.image_type[:1] == ("ORIGINAL",)
        and (at := moment(earliest(members))) is not None
    }
    starts: list[datetime] = []
    for at in sorted(scanned.values()):
        if not starts or at - starts[-1] > ONE_VISIT:
            starts.append(at)
    if len(starts) < 2:
        return [images]
    visits: list[list[Image]] = [[] for _ in starts]
    for uid, members in series.items():
        seen = scanned.get(uid) or moment(earliest(members)) or starts[0]  # what was derived goes with its day
        visits[max(bisect_right(starts, seen) - 1, 0)] += members
    return visits


def earliest(images: Iterable[Image]) -> When:
    """The earliest known moment of these images; the first read is not the first acquired."""
    dated = [image.when for image in images if image.when.date]
    return min(dated, key=lambda w: (w.date, w.seconds if w.seconds is not None else 1e9)) if dated else When()


def _ct_first(images: list[Image]) -> list[Image]:
    return [image for image in images if image.ids.modality == "CT"] or images


def _study_key(images: list[Image]) -> tuple[Any, ...]:
    when = earliest(_ct_first(images))
    at = moment(when, 0)
    return (at is None, at or 0, min(image.file for image in images))


def _study(number: int, images: list[Image]) -> StudyGroup:
    series: dict[str, list[Image]] = defaultdict(list)
    for image in images:
        series[image.ids.series].append(image)

    def key(members: list[Image]) -> tuple[Any, ...]:
        when = earliest(members)
        given = [m.ids.series_number for m in members if m.ids.series_number is not None]
        return (min(given, default=10**9), when.date, when.seconds or 0.0, min(m.file for m in members))

    parts: list[Part] = []
    for index, members in enumerate(sorted(series.values(), key=key), 1):
        pieces = split(members)
        for piece, some in enumerate(pieces, 1):
            parts.append(Part(number, index, piece if len(pieces) > 1 else 0, tuple(some)))
    return StudyGroup(number, earliest(_ct_first(images)), tuple(parts))


def split(images: list[Image]) -> list[list[Image]]:
    """Divide one series into stacks that could be volumes, largest first."""
    kvp = _usual(image.making.kvp for image in images)
    kernel = _usual(image.making.kernel_key or None for image in images) or ""
    stacks: dict[tuple[Any, ...], list[Image]] = defaultdict(list)
    directions: list[tuple[float, ...]] = []
    for image in images:
        making = image.making
        types = making.image_type
        # A slice that leaves voltage or kernel empty belongs to its neighbours.
        stacks[
            (
                types[:1],
                types[2:3] if types[2:3] == ("LOCALIZER",) else (),
                types[3:4],
                _direction(image, directions),
                image.coding.rows,
                image.coding.columns,
                image.coding.samples,
                tuple(round(v, 4) for v in image.spacing or ()),
                making.kvp if making.kvp is not None else kvp,
                making.kernel_key or kernel,
                making.virtual_kev,
                making.units_key,
                image.rescale_type,
                image.stack,
                image.ids.sop_class,
            )
        ].append(image)
    found = [piece for stack in stacks.values() for piece in _by_acquisition(stack)]
    return sorted(found, key=lambda piece: (-len(piece), min(image.file for image in piece)))


def _usual(values: Iterable[Any]) -> Any:
    known = Counter(value for value in values if value is not None)
    return known.most_common(1)[0][0] if known else None


def _direction(image: Image, known: list[tuple[float, ...]]) -> int:
    if image.orientation is None:
        return -1
    for number, other in enumerate(known):
        if all(abs(a - b) < SAME_DIRECTION for a, b in zip(image.orientation, other, strict=True)):
            return number
    known.append(image.orientation)
    return len(known) - 1


def _by_acquisition(images: list[Image]) -> list[list[Image]]:
    """Two acquisitions of the same positions (phases) are two stacks; without repeats the number means nothing."""
    for key in (_acquisition_number, _temporal, _moment):
        if not _repeats(images):
            break
        pieces: dict[Any, list[Image]] = defaultdict(list)
        for image in images:
            pieces[key(image)].append(image)
        many = list(pieces.values())
        if len(many) > 1 and all(len(piece) > 2 and not _repeats(piece) for piece in many):
            return many
    return [images]


def _acquisition_number(image: Image) -> Any:
    return image.ids.acquisition_number


def _temporal(image: Image) -> Any:
    return image.temporal


def _moment(image: Image) -> Any:
    return (image.when.date, image.when.seconds)


def _repeats(images: list[Image]) -> bool:
    seen = [tuple(round(v, 2) for v in image.position) for image in images if image.position is not None]
    return len(set(seen)) < len(seen)
