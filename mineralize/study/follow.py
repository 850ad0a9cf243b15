"""The lesion followed from the scan it was found in into all others: aligned, outlined, measured by many workers."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass, field
from functools import partial

import numpy as np

from ..align import Alignment
from ..base import Floats, Note, Rigid
from ..bones import LesionZone
from ..lesion import SOFT, Outline, SeenScan
from ..measure import Measured
from ..timeline import Timeline
from .by_hand import carried_into, carries, not_carried, same_scan
from .crew import Clock, Crew
from .kept import Stages
from .steps import align_pair, carry_to_base, zone_around


@dataclass(frozen=True, eq=False)
class Followed:
    """``alignments`` parallel to the scans; ``outlines``, ``measured`` and ``seen`` by scan number, ``None`` where the
    lesion was not outlined (``notes`` say why). ``seen`` holds what a reader asked to carry over as well."""

    alignments: list[Alignment]
    outlines: dict[int, Outline | None]
    measured: dict[int, Measured | None]
    notes: list[Note]
    seen: dict[int, SeenScan]


@dataclass(frozen=True, eq=False)
class _Tasks:
    """What workers do for one scan, once the alignments it needs have been given to them."""

    timeline: Timeline
    stages: Stages
    seen: dict[int, SeenScan]
    base: int
    first: Outline | None
    point: tuple[float, float, float]
    clock: Clock
    alignments: dict[int, Future[Alignment]] = field(default_factory=dict)

    def align(self, number: int, zone: LesionZone) -> Alignment:
        with self.clock.task("align on the skeleton"):
            return self.stages.align(self.seen, number, self.base, zone)

    def with_carried(self, number: int) -> SeenScan:
        """The scan with what is carried into it. Waits only for alignments, all of which were given to the workers."""
        needed = [n for n in self.alignments if n == number or carries(self.timeline.by_hand, n)]
        links = {n: self.alignments[n].result() for n in needed}
        links[self.base] = same_scan(self.base)
        return carried_into(self.timeline.by_hand, self.seen[number], links)

    def outline(self, number: int, own_seed: Floats | None) -> tuple[Outline | None, list[Note]]:
        alignment = self.alignments[number].result()
        own = self.with_carried(number)
        with self.clock.task("outline the lesion"):
            return self.stages.outline(own, alignment, self.seen[self.base], self.first, own_seed)

    def draw_together(self, outlines: dict[int, Future[tuple[Outline | None, list[Note]]]]) -> dict[int, Outline]:
        """New outlines where the soft margin of one mass shows in several scans whose alignment is relied upon."""
        own = {n: outlines[n].result()[0] for n in outlines}
        with self.clock.task("outline the lesion"):
            links = {n: self.alignments[n].result() for n in outlines}
            usable = {n: link.transform.inverse() for n, link in links.items() if link.trust != "withheld"}
            motions = {self.base: Rigid.identity(), **usable}
            needed = {n: self.with_carried(n) for n in motions}
            return self.stages.draw_together(needed, motions, {self.base: self.first, **own}, self.base)

    def measure(self, number: int, outline: Callable[[], Outline | None]) -> Measured | None:
        found = outline()
        own = self.with_carried(number)
        with self.clock.task("measure"):
            return self.stages.measure(own, found)

    def outline_base_anew(self) -> Outline | None:
        own = self.with_carried(self.base)
        return self.stages.find(own, self.point) if own.hand.carried_from else self.first


def follow(
    timeline: Timeline,
    stages: Stages,
    seen: dict[int, SeenScan],
    base: int,
    first: Outline | None,
    *,
    point: tuple[float, float, float],
    workers: Crew,
    clock: Clock,
) -> Followed:
    """Every scan aligned on the base scan, the lesion outlined in it and measured.

    What a reader asked to carry over is laid into the other scans as soon as these are aligned. The tasks are given to
    the workers in an order in which each comes after those it waits for.

    Parameters
    ----------
    base, first : the scan in which the lesion was found, and its outline there, if it could be outlined.
    point : LPS mm in the lesion in that scan.
    """
    numbers = [scan.number for scan in timeline.scans]
    order = sorted((n for n in numbers if n != base), key=lambda n: abs(n - base))
    carried = any(carries(timeline.by_hand, n) for n in order)
    together = first is not None and first.method == SOFT and bool(order) and not carried
    clock.expect(align_on_the_skeleton=len(order), outline_the_lesion=len(order) + together, measure=len(numbers))
    zone = zone_around(first, np.asarray(point, float))
    own_seeds = {s.scan: np.asarray(s.point, float) for s in timeline.seeds}
    tasks = _Tasks(timeline, stages, seen, base, first, point, clock)
    tasks.alignments.update({n: workers.submit(partial(tasks.align, n, zone)) for n in order})
    anew = workers.submit(tasks.outline_base_anew) if carried else None

    def again() -> Outline | None:
        return first if anew is None else anew.result()

    def outlined(number: int) -> Outline | None:
        alone = again() if number == base else outlines[number].result()[0]
        return alone if joint is None else joint.result().get(number, alone)

    # What is drawn together waits for the outlines of all scans; what has a shell is measured as soon as it is drawn.
    measures = {} if first is None or together else {base: workers.submit(partial(tasks.measure, base, again))}
    outlines = {n: workers.submit(partial(tasks.outline, n, own_seeds.get(n))) for n in order}
    joint = workers.submit(partial(tasks.draw_together, outlines)) if together else None
    rest = [n for n in (base, *order) if n not in measures and (n != base or first is not None)]
    measures |= {n: workers.submit(partial(tasks.measure, n, partial(outlined, n))) for n in rest}
    alignment = {n: tasks.alignments[n].result() for n in order}
    alignment[base] = align_pair(seen, base, base, zone, stages.settings)
    links = [alignment[n] for n in numbers]
    notes: list[Note] = [note for n in order for note in outlines[n].result()[1]]
    found = {n: outlined(n) for n in (base, *order)}
    if first is None:
        if found[base] is None:
            found[base], more = carry_to_base(seen, base, found, links, stages.settings, point=point)
            notes += more
        measures[base] = workers.submit(partial(tasks.measure, base, lambda: found[base]))
    complete = {n: tasks.with_carried(n) for n in numbers}
    notes += [
        note for one in complete.values() for note in (*one.hand_notes, *not_carried(timeline.by_hand, one, links))
    ]
    return Followed(links, found, {n: measures[n].result() for n in numbers}, notes, complete)
