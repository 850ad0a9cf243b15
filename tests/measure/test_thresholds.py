"""Every threshold that is asked for is measured, named and compared; settings at the ends of their ranges hold."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import study_factory
from analytic_shell import Shell, around, reference, rendered

from mineralize.base import UNITS, MineralSettings, Settings, Volume, quantities_of, withhold
from mineralize.change import find_changes
from mineralize.lesion.outline import find_outline
from mineralize.measure import Measurement, measure_scan, rows_without_lesion, withhold_all
from mineralize.results import texts

SHELL = Shell()
"""30 mm shell of 2 mm, 600 HU in 50 HU."""


@pytest.fixture(scope="module")
def seen() -> tuple[Any, ...]:
    volume: Volume = rendered(SHELL)
    ref = reference(volume, noise=1.0)
    near = around(volume, ref)
    return volume, ref, near, find_outline(near, ref, np.zeros(3), Settings(), scan=1)


def rows(seen: tuple[Any, ...], **mineral: Any) -> dict[str, Measurement]:
    volume, ref, near, outline = seen
    settings = Settings.from_mapping({"mineral": mineral})
    found = measure_scan(near, ref, outline, settings, volume, skeleton=None).rows
    assert [row.quantity for row in found] == list(quantities_of(settings.mineral))
    return {row.quantity: row for row in found}


def test_the_defaults_are_those_of_the_table_of_units() -> None:
    assert quantities_of(MineralSettings()) == UNITS
    assert list(quantities_of(MineralSettings())) == list(UNITS)


def test_another_main_threshold_is_measured_and_so_are_those_beside(seen: tuple[Any, ...]) -> None:
    usual, asked = rows(seen), rows(seen, threshold_hu120=130)
    for quantity, row in asked.items():
        assert "not-measured" not in {v.code for v in row.verdicts}, quantity
    assert asked["mineral_volume"].value == asked["mineral_volume_130"].value == usual["mineral_volume_130"].value
    assert asked["mineral_volume_200"].value == usual["mineral_volume_200"].value
    assert asked["mineral_volume"].value > usual["mineral_volume"].value  # type: ignore[operator]


def test_thresholds_beside_are_those_asked_for(seen: tuple[Any, ...]) -> None:
    asked = rows(seen, other_thresholds_hu120=[90, 250])
    named = [q for q in asked if q.startswith(("mineral_volume_", "rim_completeness_"))]
    assert named == ["mineral_volume_90", "mineral_volume_250", "rim_completeness_90", "rim_completeness_250"]
    for quantity in named:
        assert asked[quantity].value is not None, quantity
        assert texts.quantity_title(quantity).endswith(f"at {quantity.rpartition('_')[2]} HU")
    volumes = [asked[q].value for q in ("mineral_volume_90", "mineral_volume", "mineral_volume_250")]
    assert volumes == sorted(volumes, reverse=True)  # type: ignore[type-var]


def test_none_beside_and_the_main_one_beside_itself(seen: tuple[Any, ...]) -> None:
    assert not [q for q in rows(seen, other_thresholds_hu120=[]) if q.startswith("mineral_volume_")]
    asked = rows(seen, other_thresholds_hu120=[150])
    assert asked["mineral_volume_150"].value == asked["mineral_volume"].value
    assert asked["rim_completeness_150"].value == asked["rim_completeness"].value


def test_scans_without_the_lesion_have_the_same_rows(seen: tuple[Any, ...]) -> None:
    settings = MineralSettings(other_thresholds_hu120=(90.0, 250.0))
    expected = list(quantities_of(settings))
    assert [r.quantity for r in rows_without_lesion(2, seen[1], withhold("not-measured"), settings)] == expected
    assert [r.quantity for r in withhold_all(2, withhold("not-measured"), (), settings)] == expected


def test_thresholds_asked_for_are_compared_between_scans() -> None:
    study = study_factory.study()
    held = [replace(m, quantity="mineral_volume_250") for m in study.measurements if m.quantity == "mineral_volume_200"]
    changes = find_changes(study.timeline, held)
    assert {c.quantity for c in changes} == {"mineral_volume_250"}
    assert len(changes) == 10  # pairs of five scans


@pytest.mark.parametrize(
    "mineral",
    [
        {"zone_reach_mm": 5.0},
        {"zone_reach_mm": 0.5},
        {"threshold_hu120": 80},
        {"threshold_hu120": 1000},
        {"limb_size_uncertainty": 0.5, "slope_uncertainty": 0.5},
    ],
    ids=str,
)
def test_at_the_ends_of_their_ranges_values_lie_in_their_intervals(
    seen: tuple[Any, ...], mineral: dict[str, Any]
) -> None:
    for quantity, row in rows(seen, **mineral).items():
        if row.value is not None:
            assert row.low <= row.value <= row.high, quantity  # type: ignore[operator]
