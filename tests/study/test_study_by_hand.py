"""A mass like muscle around a little mineral: withheld alone, measured where a reader points at its margin."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from histories import history, timeline

from mineralize.base import Floats
from mineralize.lesion import SeenScan
from mineralize.study import Kept, Study, analyse
from mineralize.study.by_hand import carried_into, not_carried
from mineralize.surface import sphere_directions
from mineralize.timeline import HandActs, MarginPoint

NAME = "muscle-like-mass"
KEEP = Kept()
"""Bones and alignment are the same whatever is drawn, and what is kept says the same as anew (`test_kept`)."""


def places(i: int, count: int = 10) -> Floats:
    """Even directions from the middle to the true surface of scan ``i``, each off by 1 mm."""
    rng = np.random.default_rng(40 + i)
    directions, _ = sphere_directions(count)
    surface = history(NAME, 0, None, ()).surface(i).world
    arms = surface - surface.mean(axis=0)
    arms /= np.linalg.norm(arms, axis=1)[:, None]
    found = surface[(arms @ (directions @ np.linalg.qr(rng.normal(size=(3, 3)))[0].T).T).argmax(axis=0)]
    return np.asarray(found + rng.normal(size=found.shape))


def points(i: int, scan: int, *, carry: bool = False) -> tuple[MarginPoint, ...]:
    return tuple(MarginPoint(scan, (float(x), float(y), float(z)), 60, carry) for x, y, z in places(i))


def volume(study: Study, scan: int) -> tuple[float | None, float, float, str, str]:
    row = study.measurement(scan, "lesion_volume")
    assert row is not None
    return row.value, row.low or 0.0, row.high or 0.0, row.trust, row.reason


def true_volume(i: int) -> float:
    """By the divergence theorem over its surface (`tests/phantoms` holds it against the judge's own)."""
    surface = history(NAME, 0, None, ()).surface(i)
    return float((surface.world * surface.normals).sum(axis=1) @ surface.area) / 3


@pytest.fixture(scope="module")
def alone() -> Study:
    return analyse(timeline(NAME), keep=KEEP)


def test_alone_the_volume_is_withheld(alone: Study) -> None:
    assert [volume(alone, n)[3] for n in (1, 2)] == ["withheld", "withheld"]


def test_ten_places_in_each_scan_bring_the_volume() -> None:
    acts = HandActs(points(0, 1) + points(1, 2))
    study = analyse(replace(timeline(NAME), by_hand=acts), keep=KEEP)
    for n, i in ((1, 0), (2, 1)):
        value, low, high, trust, reason = volume(study, n)
        assert value == pytest.approx(true_volume(i), rel=0.10)
        assert low <= true_volume(i) <= high
        assert trust == "caution"
        assert "corrected by hand" in reason
    lesion = [
        r for r in study.measurements if r.quantity not in ("reference_muscle", "fat_reference", "cortex_reference")
    ]
    assert all(r.trust != "ok" for r in lesion)


def test_places_are_carried_only_on_request() -> None:
    """Given in the second scan with ``carry``, they also bind the first, whose own truth they then overstate."""
    acts = HandActs(points(1, 2, carry=True))
    study = analyse(replace(timeline(NAME), by_hand=acts), keep=KEEP)
    value, _, _, trust, reason = volume(study, 1)
    assert value == pytest.approx(true_volume(1), rel=0.10)
    assert trust == "caution"
    assert "drawn by hand in scan 2 was carried here" in reason


def test_what_could_not_be_carried_is_told(alone: Study) -> None:
    acts = HandActs(points(1, 2, carry=True)[:1])
    scan = alone.timeline.scans[0]
    seen = SeenScan(scan, scan.volume, None, alone.references[0], alone.settings)  # type: ignore[arg-type]
    links = [alone.alignments[0], replace(alone.alignments[1], trust="withheld")]
    carried = carried_into(acts, seen, {a.scan: a for a in links})
    assert not carried.hand
    assert [n.kind for n in not_carried(acts, carried, links)] == ["hand-not-carried"]
    trusted = carried_into(acts, seen, {a.scan: a for a in alone.alignments})
    assert trusted.hand.carried_from == (2,)
    assert not_carried(acts, trusted, alone.alignments) == []
