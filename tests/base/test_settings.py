"""Settings from a table: every fault is listed at once."""

from __future__ import annotations

import pytest

from mineralize.base import CaseFileError, Settings


def test_defaults_and_one_change() -> None:
    assert Settings.from_mapping({}) == Settings()
    changed = Settings.from_mapping({"mineral": {"threshold_hu120": 130, "other_thresholds_hu120": [100, 200]}})
    assert changed.mineral.threshold_hu120 == 130.0
    assert isinstance(changed.mineral.threshold_hu120, float)
    assert changed.mineral.other_thresholds_hu120 == (100.0, 200.0)
    assert changed.zones == Settings().zones


def test_every_fault_is_listed() -> None:
    table = {
        "mineral": {"treshold": 130, "zone_reach_mm": -1, "other_thresholds_hu120": [100, "x"]},
        "zones": 3,
        "outline": {"rays": 10.5, "smoothness": True},
        "align": {"bone_hu": float("nan")},
        "colour": {},
    }
    with pytest.raises(CaseFileError) as caught:
        Settings.from_mapping(table)
    text = str(caught.value)
    for name in (
        "mineral.treshold", "mineral.zone_reach_mm", "mineral.other_thresholds_hu120", "settings.zones",
        "outline.rays", "outline.smoothness", "align.bone_hu", "settings.colour",
    ):  # fmt: skip
        assert name in text, name
    assert "threshold_hu120" in text  # what is known is said
    assert "\n" not in text


def test_settings_cannot_be_changed_in_place() -> None:
    with pytest.raises(AttributeError):
        Settings().mineral.threshold_hu120 = 1.0  # type: ignore[misc]
