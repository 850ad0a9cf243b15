"""Curves: what is stated rests on changes that are real; gaps stay gaps."""

from __future__ import annotations

from test_change import GRID, LIKE, row

from mineralize.base import UNITS, InMemory, Scan, Volume, caution
from mineralize.change import find_changes, find_curves
from mineralize.change.curves import CURVES
from mineralize.measure import Measurement
from mineralize.timeline import Timeline

LINE = Timeline(
    tuple(Scan(n, d, GRID, LIKE, InMemory(Volume(GRID.world_of_all()[..., 0].copy(), GRID)))
          for n, d in ((1, 20), (2, 50), (3, 110)))
)  # fmt: skip


def curves(rows: list[Measurement]) -> dict[str, object]:
    return {c.quantity: c for c in find_curves(LINE, rows, find_changes(LINE, rows))}


def test_course_in_words() -> None:
    rows = [row(n, "mineral_mass", v, 20.0) for n, v in ((1, 100.0), (2, 400.0), (3, 410.0))]
    rows += [row(n, "cortex_gap", v, 0.2) for n, v in ((1, 9.0), (2, 5.0), (3, 5.1))]
    found = curves(rows)
    mass = found["mineral_mass"]
    assert mass.statement == "rose from day 20 to 50; no change beyond the limit from day 50 to 110"  # type: ignore[attr-defined]
    assert found["cortex_gap"].statement.startswith("fell from day 20 to 50")  # type: ignore[attr-defined]
    assert [(p.scan, p.day, p.value) for p in mass.points] == [(1, 20, 100.0), (2, 50, 400.0), (3, 110, 410.0)]  # type: ignore[attr-defined]


def test_withheld_points_are_left_out_not_filled() -> None:
    rows = [row(1, "mineral_mass", 100.0, 5.0), row(2, "mineral_mass", None), row(3, "mineral_mass", 400.0, 5.0)]
    mass = curves(rows)["mineral_mass"]
    assert mass.points[1].value is None  # type: ignore[attr-defined]
    assert mass.points[1].trust == "withheld"  # type: ignore[attr-defined]
    assert mass.statement == "rose from day 20 to 110"  # type: ignore[attr-defined]


def test_one_value_is_no_course() -> None:
    found = curves([row(1, "mineral_mass", 100.0)])
    assert [*found] == list(CURVES)
    assert "fewer than two scans" in found["mineral_mass"].statement  # type: ignore[attr-defined]
    assert found["lesion_volume"].unit == UNITS["lesion_volume"]  # type: ignore[attr-defined]


def test_unsure_is_said() -> None:
    rows = [
        row(1, "mineral_mass", 100.0, 5.0),
        row(2, "mineral_mass", 400.0, 5.0, trust="caution", verdicts=(caution("odd-shape"),)),
    ]
    assert curves(rows)["mineral_mass"].statement == "unsure from day 20 to 50"  # type: ignore[attr-defined]
