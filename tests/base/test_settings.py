"""Settings from a table: every fault is listed at once; every number has a range, from Python too."""

from __future__ import annotations

import math
import tomllib
from dataclasses import fields, is_dataclass
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mineralize.base import (
    AlignSettings,
    CaseFileError,
    MineralSettings,
    OutlineSettings,
    Settings,
    UsageError,
    ZoneSettings,
)

GROUPS = {"mineral": MineralSettings, "zones": ZoneSettings, "outline": OutlineSettings, "align": AlignSettings}


def test_defaults_and_one_change() -> None:
    assert Settings.from_mapping({}) == Settings()
    changed = Settings.from_mapping({"mineral": {"threshold_hu120": 130, "other_thresholds_hu120": [100, 200]}})
    assert changed.mineral.threshold_hu120 == 130.0
    assert isinstance(changed.mineral.threshold_hu120, float)
    assert changed.mineral.other_thresholds_hu120 == (100.0, 200.0)
    assert changed.zones == Settings().zones


def test_every_fault_is_listed() -> None:
    table = {
        "mineral": {"treshold_hu120": 130, "zone_reach_mm": -1, "other_thresholds_hu120": [100, "x"]},
        "zones": 3,
        "outline": {"rays": 10.5, "smoothness": True},
        "align": {"bone_hu": float("nan")},
        "colour": {},
    }
    with pytest.raises(CaseFileError) as caught:
        Settings.from_mapping(table)
    text = str(caught.value)
    for name in (
        "'treshold_hu120', did you mean 'threshold_hu120'", "mineral.zone_reach_mm", "mineral.other_thresholds_hu120",
        "settings.zones", "outline.rays", "outline.smoothness", "align.bone_hu", "settings: key 5 is unknown",
    ):  # fmt: skip
        assert name in text, name
    assert "\n" not in text


def test_what_was_typed_is_not_quoted() -> None:
    """A value or a key may hold anything, a patient's name or a date among it; only slips of the pen are quoted."""
    table = {"Zzyx Quillon": 1, "zones": "1961-02-03", "mineral": {"threshold_hu120": "Quillon", "zzyx": [1]}}
    with pytest.raises(CaseFileError) as caught:
        Settings.from_mapping(table)
    for canary in ("quillon", "zzyx", "1961"):
        assert canary not in str(caught.value).lower()


def test_every_setting_has_a_range_that_holds_its_default() -> None:
    seen = 0
    for group in fields(Settings):
        kind = GROUPS[group.name]
        assert is_dataclass(kind)
        for one in fields(kind):
            low, high = one.metadata["range"]
            assert -math.inf < low < high < math.inf, one.name
            held = one.default if isinstance(one.default, tuple) else (one.default,)
            assert all(low <= value <= high for value in held), one.name
            seen += 1
    assert seen >= 14


SETTINGS_OF = [(name, one) for name, kind in GROUPS.items() for one in fields(kind)]


@pytest.mark.parametrize(("group", "one"), SETTINGS_OF, ids=lambda v: getattr(v, "name", v))
def test_out_of_range_is_refused_in_one_sentence(group: str, one: Any) -> None:
    low, high = one.metadata["range"]
    several = isinstance(one.default, tuple)
    wrong: list[Any] = [low - 1, high + 1, float("nan"), float("inf"), True, "1", 10**400, None]
    for value in wrong:
        value = [value] if several else value
        with pytest.raises(CaseFileError, match=one.name) as caught:
            Settings.from_mapping({group: {one.name: value}})
        assert f"{high:.6g}" in str(caught.value)
        assert "\n" not in str(caught.value)
        if value is not None:
            with pytest.raises(UsageError, match=one.name):
                GROUPS[group](**{one.name: tuple(value) if several else value})
    for value in (low, high):
        Settings.from_mapping({group: {one.name: [value] if several else value}})


@pytest.mark.parametrize("asked", [[90.5], [100, 100], [10**400], list(range(100, 113)), [50], "100", 3, {}])
def test_thresholds_that_cannot_be_named(asked: Any) -> None:
    """A threshold is part of a quantity's name, so it is whole, and there are not too many."""
    with pytest.raises(CaseFileError, match="different whole numbers from 80 to 2000 HU"):
        Settings.from_mapping({"mineral": {"other_thresholds_hu120": asked}})


def test_a_value_nested_without_end_is_refused() -> None:
    """Dotted keys nest without recursion in the TOML reader, so that what comes out may be deeper than the stack."""
    deep = tomllib.loads("[align]\n" + "\n".join(["bone_hu" + ".a" * 5000 + " = 1"]))
    with pytest.raises(CaseFileError, match="bone_hu"):
        Settings.from_mapping(deep)


LEAVES = st.none() | st.booleans() | st.floats() | st.integers() | st.text()
NAMES = st.sampled_from(["mineral", "rays", "zones", "zone_reach_mm", "x"])


@given(st.recursive(LEAVES, lambda inner: st.lists(inner) | st.dictionaries(NAMES, inner), max_leaves=12))
def test_nothing_but_a_fault_comes_of_nonsense(value: Any) -> None:
    try:
        made = Settings.from_mapping({"mineral": value, "outline": value})
    except CaseFileError as error:
        text = str(error)
    else:
        text = type(made).__name__
    assert "\n" not in text


def test_settings_cannot_be_changed_in_place() -> None:
    with pytest.raises(AttributeError):
        Settings().mineral.threshold_hu120 = 1.0  # type: ignore[misc]
