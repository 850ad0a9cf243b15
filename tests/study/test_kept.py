"""What is kept between analyses: told apart by content, and never another answer than anew."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from histories import timeline

from mineralize.base import Grid, Settings, Volume
from mineralize.study import Kept, analyse, looked_at, outline_from_point
from mineralize.study.kept import BOXES, RUNS, RUNS_OF_BOXES, digest
from mineralize.timeline import BiopsySite


def volume(value: int) -> Volume:
    return Volume(np.full((2, 3, 4), value, np.int16), Grid.from_parts((2, 3, 4), (1.0, 1.0, 1.0)))


def test_content_is_told_apart() -> None:
    different = [
        (1,),
        (1.0,),
        ("1",),
        (None,),
        ((1, 2), 3),
        (1, (2, 3)),
        (np.zeros(4),),
        (np.zeros((2, 2)),),
        (np.zeros(4, np.float32),),
        (volume(0),),
        (volume(1),),
        (Settings(),),
        (replace(Settings(), zones=replace(Settings().zones, rim_depth_mm=3.0)),),
        ({"a": 1.0},),
        ({"a": 2.0},),
    ]
    assert len({digest(*content) for content in different}) == len(different)


def test_equal_content_is_recognised() -> None:
    assert digest(volume(3), Settings()) == digest(volume(3), Settings())
    strided = np.arange(12.0).reshape(3, 4).T
    assert digest(strided) == digest(np.ascontiguousarray(strided))
    assert digest({"a": 1, "b": 2}) == digest({"b": 2, "a": 1})


def test_what_has_no_digest_is_refused() -> None:
    with pytest.raises(TypeError, match="no digest"):
        digest(object())


def test_made_once_then_dropped_when_not_asked_for() -> None:
    keep, calls = Kept(), []

    def make() -> int:
        calls.append(1)
        return len(calls)

    keep.begin()
    assert [keep.get("a", (1,), make), keep.get("a", (1,), make), keep.get("b", (1,), make)] == [1, 1, 2]
    assert keep.made == {"a": 1, "b": 1}
    for _ in range(RUNS):
        keep.begin()
    assert keep.get("a", (1,), make) == 1
    for _ in range(RUNS + 1):
        keep.begin()
    assert keep.get("a", (1,), make) == 3


def test_arrays_of_voxels_are_dropped_sooner() -> None:
    keep = Kept()
    for _ in range(RUNS_OF_BOXES + 2):
        keep.begin()
        keep.get("a", (), lambda: 1)
    keep.get(BOXES, (), lambda: 1)
    for _ in range(RUNS_OF_BOXES + 1):
        keep.begin()
    keep.get("a", (), lambda: 1)
    assert keep.made == {}
    keep.get(BOXES, (), lambda: 1)
    assert keep.made == {BOXES: 1}


def test_errors_are_not_kept() -> None:
    keep = Kept()

    def fail() -> int:
        raise ValueError("no good")

    with pytest.raises(ValueError, match="no good"):
        keep.get("a", (), fail)
    assert keep.get("a", (), lambda: 5) == 5


@pytest.mark.slow
def test_a_change_redoes_only_what_follows_and_says_the_same_as_anew() -> None:
    line = timeline("maturing-shell", 0, (2, 3), with_seed=True, matrix=128, slices=56)
    keep = Kept()
    first = analyse(line, jobs=1, keep=keep)
    assert keep.made == {"bones": 2, "first outline": 1, "alignment": 1, "outline": 1, "measure": 2, BOXES: 2}
    seed = line.seeds[0]
    assert outline_from_point(line, seed.scan, seed.point, keep=keep) is first.outlines[seed.scan - 1]
    assert looked_at(line, 1, keep=keep).skeleton is looked_at(line, 1, keep=keep).skeleton

    # A biopsy moves nothing that was measured before it.
    taken = replace(line, biopsies=(BiopsySite(1, seed.point, None, None),))
    again = analyse(taken, jobs=1, keep=keep)
    assert keep.made == {}
    assert len(again.biopsy_reports) == 1
    assert [(r.quantity, r.value) for r in again.measurements] == [(r.quantity, r.value) for r in first.measurements]

    # Another depth of the rim and another threshold are measured anew on the outlines there are, and read as without
    # anything kept; in the same outline a threshold finds what it found beside the main one.
    zones, mineral = (
        replace(line.settings.zones, rim_depth_mm=3.0),
        replace(line.settings.mineral, threshold_hu120=130.0),
    )
    settings = replace(line.settings, zones=zones, mineral=mineral)
    changed = analyse(line, settings, jobs=1, keep=keep)
    assert keep.made == {"measure": 2}
    anew = analyse(line, settings, jobs=1)
    assert tuple(changed.measurements) == tuple(anew.measurements)
    assert tuple(changed.measurements) != tuple(first.measurements)
    for scan in (1, 2):
        main, beside = changed.measurement(scan, "mineral_volume"), first.measurement(scan, "mineral_volume_130")
        assert main is not None
        assert beside is not None
        assert main.value == beside.value

    # Other mineral to lay the outline around makes another outline.
    dense = replace(line.settings, outline=replace(line.settings.outline, mineral_hu120=300.0))
    outline_from_point(line, seed.scan, seed.point, dense, keep=keep)
    assert keep.made["first outline"] == 1
