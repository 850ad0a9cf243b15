"""Which series of a study is measured: a documented score, and a reason for every 'no'.

A series starts with 100 points and loses:

=================================  =====================================================
derived from other images           30
made after the examination          15
kernel sharp / medium / unlisted    25 / 8 / 10
slice spacing beyond 1 mm           10 per mm (3 mm: 20)
covers less than the longest        up to 60, by the share of the longest that is missing
plane not axial                     50
resampled (tilt, unequal slices)    15
lossy compression                   20
virtual monoenergetic               15
pixel beyond 1 mm                   10 per mm
kernel class other than the rest    12 (of the other scans; looked at last)
=================================  =====================================================

A series that does not hold the lesion's seed, where that can be told, is out. ``case.toml`` overrules all of it except
the rules that make a volume unusable.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from ..base import Acquisition, InputError, Note, SeriesError, SeriesRow, cores
from . import content, follow
from .assemble import assemble
from .decode import can_decode
from .grouping import SAME_DIRECTION, Part, StudyGroup
from .image import Image
from .rules import set_aside
from .stack import Stack

MISSING, AXIAL, BETWEEN, GOES_ON = 0.05, 0.7, 0.25, 1.5
"""Share of the longest series that may be missing for nothing; cosine to the body's axis of axial planes (45 degrees);
shares of a step: slices of another series lie farther off all chosen ones, the nearest no farther (own judgement)."""


@dataclass(frozen=True, eq=False)
class Judged:
    """One part with its verdict: a stack and a score, or the reason why not."""

    part: Part
    stack: Stack | None
    code: str = ""
    reason: str = ""
    score: float = 0.0
    losses: tuple[str, ...] = ()
    error: SeriesError | None = None


@dataclass(frozen=True, eq=False)
class Choice:
    """What was chosen in one study, if anything could be."""

    study: StudyGroup
    judged: tuple[Judged, ...]
    chosen: Judged | None


def judge(study: StudyGroup) -> tuple[Judged, ...]:
    """Every part of a study, checked; scores are relative to the longest of them."""
    found = [_judge(part) for part in study.parts]
    longest = max((_extent(j.stack) for j in found if j.stack), default=0.0)
    return tuple(_scored(j, longest) if j.stack else j for j in found)


def judge_all(studies: Iterable[StudyGroup]) -> dict[int, tuple[Judged, ...]]:
    """Every study judged, by its number; side by side, since pixels are looked at."""
    listed = list(studies)
    with ThreadPoolExecutor(min(cores(), 4)) as pool:
        return {study.number: found for study, found in zip(listed, pool.map(judge, listed), strict=True)}


def _judge(part: Part) -> Judged:
    aside = set_aside(part)
    if aside is not None:
        return Judged(part, None, *aside)
    try:
        if not can_decode(part.first.coding):
            raise SeriesError(
                f"{part.label}: its pixels are encoded in a way that cannot be decoded here",
                "transfer-syntax",
                "export the series uncompressed",
            )
        stack = assemble(part)
        return Judged(
            part,
            replace(stack, notes=(*stack.notes, *content.look(stack, part.label), *follow.look(stack, part.label))),
        )
    except SeriesError as error:
        return Judged(part, None, error.rule, str(error), error=error)


def _extent(stack: Stack) -> float:
    return float(stack.grid.shape[0] * stack.grid.spacing[0])


def _scored(judged: Judged, longest_mm: float) -> Judged:
    stack = judged.stack
    assert stack is not None
    making = judged.part.first.making
    spacing = stack.grid.spacing
    losses: list[tuple[float, str]] = []
    if making.image_type[:1] == ("DERIVED",):
        losses.append((30, "derived"))
    if making.image_type[1:2] == ("SECONDARY",):
        losses.append((15, "made after the examination"))
    kernel = {"sharp": 25.0, "medium": 8.0, "unknown": 10.0}.get(making.kernel_class, 0.0)
    losses.append((kernel, {"unknown": "kernel not listed"}.get(making.kernel_class, f"{making.kernel_class} kernel")))
    losses.append((10 * max(0.0, float(spacing[0]) - 1.0), f"slices {spacing[0]:.2f} mm apart"))
    missing = 1 - _extent(stack) / longest_mm
    losses.append((60 * missing if missing > MISSING else 0.0, f"covers {100 * (1 - missing):.0f} % of the longest"))
    if abs(stack.grid.directions[2, 0]) < AXIAL:
        losses.append((50, "not axial"))
    if stack.shear is not None or stack.heights is not None:
        losses.append((15, "had to be resampled"))
    if making.lossy:
        losses.append((20, "lossy compression"))
    if making.virtual_kev is not None:
        losses.append((15, "virtual monoenergetic"))
    losses.append((10 * max(0.0, float(max(spacing[1:])) - 1.0), f"pixels of {max(spacing[1:]):.2f} mm"))
    named = tuple(text for points, text in losses if points >= 0.5)
    return replace(judged, score=100 - sum(points for points, _ in losses), losses=named)


def choose(
    studies: Iterable[StudyGroup],
    *,
    overrule: Mapping[int, tuple[int, int]] | None = None,
    seeds: Mapping[int, tuple[float, float, float]] | None = None,
    judged: Mapping[int, tuple[Judged, ...]] | None = None,
) -> tuple[Choice, ...]:
    """The series of each study.

    Parameters
    ----------
    overrule : study number -> (series, part) that the user asked for.
    seeds : study number -> LPS mm of a point that the series must hold.
    judged : what :func:`judge_all` said of them, where that was asked before.

    Raises
    ------
    InputError
        when a series asked for does not exist or cannot be used.
    """
    overrule, seeds = overrule or {}, seeds or {}
    studies = list(studies)
    known = judge_all(studies) if judged is None else judged
    choices = [
        _first(study, known[study.number], overrule.get(study.number), seeds.get(study.number)) for study in studies
    ]
    classes = Counter(c.chosen.part.first.making.kernel_class for c in choices if c.chosen)
    if len(choices) < 3 or not classes:
        return tuple(choices)
    usual = classes.most_common(1)[0][0]
    return tuple(c if c.study.number in overrule else _with_kernel(c, usual) for c in choices)


def _first(
    study: StudyGroup,
    judged: Sequence[Judged],
    asked: tuple[int, int] | None,
    seed: tuple[float, float, float] | None,
) -> Choice:
    if asked is not None:
        named = [
            j for j in judged if (j.part.series, j.part.part) == asked or (asked[1] == 0 and j.part.series == asked[0])
        ]
        usable = [j for j in named if j.stack]
        if not named:
            raise InputError(f"case.toml asks for series {asked[0]} of study {study.number}, which does not exist")
        if not usable:
            raise InputError(
                f"case.toml asks for series {asked[0]} of study {study.number}, which cannot be used: {named[0].reason}"
            )
        return Choice(study, tuple(judged), max(usable, key=lambda j: j.score))
    if seed is not None:
        judged = [
            replace(j, stack=None, code="no-seed", reason="does not hold the lesion's seed")
            if j.stack and not j.stack.grid.contains(seed)
            else j
            for j in judged
        ]
    usable = [j for j in judged if j.stack]
    return Choice(study, tuple(judged), max(usable, key=_rank) if usable else None)


def _rank(judged: Judged) -> tuple[float, int, int, int]:
    part = judged.part
    return (judged.score, len(part.images), -part.series, -part.part)


def _with_kernel(choice: Choice, usual: str) -> Choice:
    """The choice again, with the kernel class of the other scans preferred."""
    if choice.chosen is None or choice.chosen.part.first.making.kernel_class == usual:
        return choice
    judged = tuple(
        replace(j, score=j.score - 12, losses=(*j.losses, "kernel unlike the other scans"))
        if j.stack and j.part.first.making.kernel_class != usual
        else j
        for j in choice.judged
    )
    return Choice(choice.study, judged, max((j for j in judged if j.stack), key=_rank))


def rows(choice: Choice) -> tuple[SeriesRow, ...]:
    """The table of one study for ``inspect``."""
    winner = choice.chosen
    result = []
    for judged in choice.judged:
        chosen = winner is not None and judged.part == winner.part
        making = judged.part.first.making
        grid = judged.stack.grid if judged.stack else None
        if chosen:
            reason = "best score" + (f" ({', '.join(judged.losses)})" if judged.losses else "")
        elif judged.stack and winner is not None:
            more = f": {', '.join(judged.losses)}" if judged.losses else ""
            reason = f"score {judged.score:.0f} against {winner.score:.0f}{more}"
        else:
            reason = judged.reason
        result.append(
            SeriesRow(
                study=judged.part.study,
                series=judged.part.series,
                part=judged.part.part,
                images=len(judged.part.images),
                chosen=chosen,
                reason=reason,
                code="" if judged.stack else judged.code,
                score=round(judged.score, 1) if judged.stack else None,
                kernel=making.kernel,
                kernel_class=making.kernel_class,
                kvp=making.kvp,
                slice_spacing_mm=float(grid.spacing[0]) if grid else None,
                slice_thickness_mm=making.slice_thickness_mm,
                extent_mm=_extent(judged.stack) if judged.stack else None,
            )
        )
    return tuple(result)


def acquisition(judged: Judged) -> Acquisition:
    """How the chosen series was acquired; the commonest value over its slices where they differ."""
    stack = judged.stack
    assert stack is not None
    makings = [image.making for image in stack.images]
    making = makings[0]
    kvps = Counter(m.kvp for m in makings if m.kvp is not None and 40 <= m.kvp <= 200)
    currents = [image.exposure_mas for image in stack.images if image.exposure_mas is not None]
    spacing = stack.grid.spacing
    return Acquisition(
        kvp=kvps.most_common(1)[0][0] if kvps and making.virtual_kev is None else None,
        kernel=making.kernel,
        kernel_class=making.kernel_class,
        slice_thickness_mm=making.slice_thickness_mm,
        slice_spacing_mm=float(spacing[0]),
        pixel_spacing_mm=float(spacing[1]),
        reconstruction_diameter_mm=making.reconstruction_diameter_mm,
        contrast_agent=_contrast(m.contrast_agent for m in makings),
        tube_current_mas=float(np.median(currents)) if currents else None,
        manufacturer=making.manufacturer,
        virtual_kev=making.virtual_kev,
        lossy=any(m.lossy for m in makings),
    )


def _contrast(values: Iterable[bool | None]) -> bool | None:
    found = set(values)
    return True if True in found else False if False in found else None


def notes(choice: Choice) -> tuple[Note, ...]:
    """One note per series that was not chosen, and one where slices beside those that are measured were left out."""
    return _left_out(choice) + tuple(
        Note(
            "series-set-aside" if not judged.error else "series-refused",
            _sentence(row.reason, judged.part.label),
            "refused" if judged.error else "info",
            judged.part.label,
        )
        for judged, row in zip(choice.judged, rows(choice), strict=True)
        if not row.chosen
    )


def _left_out(choice: Choice) -> tuple[Note, ...]:
    """Slices beside or between those measured that are of another size, voltage, kernel, direction or series."""
    chosen = choice.chosen
    if chosen is None:
        return ()
    held = {_place(image) for image in chosen.part.images}
    left = [
        image
        for other in choice.judged
        if other is not chosen
        for image in _beside(other.part, chosen)
        if _place(image) not in held
    ]
    if not left:
        return ()
    text = (
        f"{len(left)} slice(s) beside those measured stand in another series or were made in another way (size, "
        "direction, voltage or kernel); they are left out."
    )
    return (Note("series-split", text, "caution", chosen.part.label, limits=True),)


def _beside(other: Part, chosen: Judged) -> list[Image]:
    """Its slices that belong to the chosen ones: all of its series but a localizer, or those that go on with them."""
    part, stack = chosen.part, chosen.stack
    assert stack is not None
    a, b = other.first, part.first
    alike = a.orientation is not None and bool(np.allclose(a.orientation, b.orientation or (), atol=SAME_DIRECTION))
    if other.series == part.series:
        return list(other.images) if alike or set_aside(other) is None else []
    if not alike or _made(a) != _made(b):
        return []
    normal, step = stack.grid.directions[:, 0], float(stack.grid.spacing[0])
    held = np.array([np.dot(image.position or (0.0, 0.0, 0.0), normal) for image in part.images])
    placed = [image for image in other.images if image.position is not None]
    away = [float(np.abs(held - np.dot(image.position or (), normal)).min()) for image in placed]
    between = [image for image, mm in zip(placed, away, strict=True) if mm > BETWEEN * step]
    return between if between and min(mm for mm in away if mm > BETWEEN * step) < GOES_ON * step else []


def _made(image: Image) -> tuple[object, ...]:
    making, coding = image.making, image.coding
    return (
        image.ids.frame_of_reference, image.spacing, coding.rows, coding.columns, making.kernel_key,
        making.slice_thickness_mm, making.image_type[:1],
    )  # fmt: skip


def _place(image: Image) -> tuple[float, ...]:
    return tuple(round(v, 2) for v in image.position or ())


def _sentence(reason: str, label: str) -> str:
    plain = reason.removeprefix(f"{label}: ")
    return f"Not used: {plain}."
