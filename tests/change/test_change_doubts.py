"""What cautions and unlike scans may have moved, agent that no header tells of, and what two scans have in common."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from test_change import GRID, LIKE, row, timeline

from mineralize.base import Acquisition, InMemory, Scan, Volume, caution
from mineralize.change import find_changes, find_curves
from mineralize.change.agent import hidden_agent
from mineralize.change.caution import moved_by_caution, moved_by_unlike
from mineralize.change.common import log_covariance
from mineralize.change.course import fit_course
from mineralize.change.interval import half_widths
from mineralize.measure import Measurement
from mineralize.timeline import Event, Timeline

Z95 = 1.959964
"""Half-width of a 95 % interval in standard deviations (normal distribution)."""


@pytest.mark.parametrize(
    ("quantity", "a", "b", "unlike", "moved", "code"),
    [
        ("rim_attenuation", 300.0, 500.0, {"kvp"}, 200.0, "kvp"),  # 0.40 of 500: slopes at 80 and 140 kVp
        ("rim_attenuation", 500.0, 300.0, {"kvp"}, 200.0, "kvp"),
        ("cortex_reference", 1600.0, 1500.0, {"kvp", "contrast"}, 640.0, "kvp"),
        ("rim_attenuation", 200.0, 100.0, {"kvp", "contrast"}, 100.0, "contrast"),  # agent: up to 100 HU
        ("fat_reference", -80.0, -100.0, {"kvp"}, 35.0, "kvp"),  # 0.35 of the darker one
        ("fat_reference", 20.0, 10.0, {"kvp"}, 0.0, "kvp"),
        ("core_attenuation", 40.0, -20.0, {"kvp"}, 7.0, "kvp"),
        ("mineral_volume", 100.0, 300.0, {"slice"}, 105.0, "slice"),  # 0.35
        ("mineral_volume", 100.0, 300.0, {"kernel"}, 105.0, "kernel"),
        ("mineral_volume", 100.0, 300.0, {"kernel", "contrast"}, 120.0, "contrast"),  # 0.40
        ("mineral_volume", 100.0, 300.0, {"kvp"}, 0.0, ""),
        ("mineral_fraction", 0.1, 0.2, {"slice"}, 0.35, "slice"),  # of a share itself
        ("mineral_fraction", 0.1, 0.2, {"contrast"}, 0.40, "contrast"),
        ("rim_core_ratio", 1.1, 1.4, {"contrast"}, 0.10, "contrast"),  # 100 HU over 1000
        ("mineral_mass", 500.0, 700.0, {"contrast"}, 280.0, "contrast"),
        ("mineral_mass", 500.0, 700.0, {"kvp", "slice", "kernel"}, 0.0, ""),
        ("longest_diameter", 50.0, 70.0, {"kvp", "slice", "kernel", "contrast"}, 0.0, ""),
    ],
)
def test_what_parts_two_scans_moves_a_quantity_by(
    quantity: str, a: float, b: float, unlike: set[str], moved: float, code: str
) -> None:
    found = moved_by_unlike(row(1, quantity, a), row(2, quantity, b), unlike)
    assert found[0] == pytest.approx(moved)
    assert found[1] == code


UNSEEN = caution("edge-unseen", share=0.4)
"""May move a mass by 0.30 of it and a size by 0.50."""
BONE = caution("on-bone", share=0.1)
"""0.40 and 0.25."""
DIP = caution("dips-inward", share=0.1)
"""0.30 and 0.25, each scan's own: it does not come off in a difference."""
WIDE = caution("interval-wide", dominant="noise")


@pytest.mark.parametrize(
    ("quantity", "first", "second", "alike", "moved"),
    [
        ("mineral_mass", (), (), True, 0.0),
        ("mineral_mass", (WIDE,), (WIDE,), False, 0.0),  # the interval holds it
        ("mineral_mass", (UNSEEN,), (UNSEEN,), True, 0.0),
        ("mineral_mass", (UNSEEN,), (UNSEEN,), False, np.hypot(0.3 * 100, 0.3 * 200)),
        ("mineral_mass", (UNSEEN,), (), True, 0.5 * 0.3 * 100),
        ("mineral_mass", (), (UNSEEN,), True, 0.5 * 0.3 * 200),
        ("mineral_mass", (UNSEEN, BONE), (), False, 0.4 * 100),  # the larger of a scan's own
        ("mineral_mass", (DIP,), (DIP,), True, np.hypot(0.3 * 100, 0.3 * 200)),
        ("mineral_mass", (DIP, BONE), (), True, 0.3 * 100),
        ("lesion_volume", (UNSEEN,), (UNSEEN,), True, 0.5 * np.hypot(0.5 * 100, 0.5 * 200)),
        ("lesion_volume", (UNSEEN,), (UNSEEN,), False, np.hypot(0.5 * 100, 0.5 * 200)),
        ("longest_diameter", (UNSEEN,), (), False, 3.0 * 0.065 * 100),  # three times the width that cautions it
        ("cortex_gap", (UNSEEN,), (), False, 3.0 * 1.5),
        ("rim_completeness", (), (UNSEEN,), True, 0.5 * 3.0 * 0.1),
        ("mineral_mass", (caution("like-muscle"),), (), False, None),
        ("lesion_volume", (caution("by-candidate"),), (), False, None),
        ("longest_diameter", (caution("by-candidate"),), (), False, None),
        ("lesion_volume", (UNSEEN, caution("central-mineral")), (), False, None),
    ],
)
def test_what_cautions_may_have_moved(
    quantity: str, first: tuple[Any, ...], second: tuple[Any, ...], alike: bool, moved: float | None
) -> None:
    a, b = row(1, quantity, 100.0, doubts=first), row(2, quantity, 200.0, doubts=second)
    assert moved_by_caution(a, b, alike=alike) == (None if moved is None else pytest.approx(moved))


@pytest.mark.parametrize(("seen", "share"), [(0.97, 0.025), (0.85, 0.125), (0.70, 0.25), (0.40, 0.25)])
def test_a_soft_margin_moves_a_volume_by_what_is_not_seen_of_it(seen: float, share: float) -> None:
    """A quarter where 30 % or more is unseen, in proportion below that; the mass it holds, by 30 % all the same."""
    doubt = (caution("soft-margin", share=seen),)
    for quantity, of in (("lesion_volume", share), ("mineral_mass", 0.3)):
        a, b = row(1, quantity, 1000.0, doubts=doubt), row(2, quantity, 1000.0)
        assert moved_by_caution(a, b, alike=False) == pytest.approx(of * 1000.0)


def test_nothing_in_a_carried_region_is_nothing() -> None:
    carried = (caution("carried-over", scan=2),)
    full = row(2, "mineral_mass", 50.0)
    assert moved_by_caution(row(1, "mineral_mass", 0.0, doubts=carried), full, alike=True) == 0.0
    assert moved_by_caution(row(1, "mineral_mass", 0.1, doubts=carried), full, alike=True) is None


# ---- contrast agent ----------------------------------------------------------------------------------


def agent(
    muscle: tuple[float, float], fat: tuple[float, float], half: float = 1.0, **second: Any
) -> tuple[str, str] | None:
    """Code and words for two scans of given muscle and fat, HU."""
    first = replace(LIKE, contrast_agent=None)
    scans = [Scan(n, n, GRID, made, InMemory(Volume(np.zeros(GRID.shape, np.float32), GRID)))
             for n, made in ((1, first), (2, replace(first, **second)))]  # fmt: skip
    rows: dict[tuple[int, str], Measurement] = {}
    for n in (0, 1):
        rows[n + 1, "reference_muscle"] = row(n + 1, "reference_muscle", muscle[n], half)
        rows[n + 1, "fat_reference"] = row(n + 1, "fat_reference", fat[n], half)
    found = hidden_agent(scans[0], scans[1], rows)
    return None if found is None else (found.code, found.words)


def test_agent_is_where_muscle_rises_and_fat_does_not() -> None:
    found = agent((50.0, 68.0), (-95.0, -93.0))
    assert found == ("contrast", "contrast agent (muscle reads 16 HU more in scan 2, fat does not)")
    back = agent((68.0, 50.0), (-93.0, -95.0))
    assert back == ("contrast", "contrast agent (muscle reads 16 HU more in scan 1, fat does not)")
    assert agent((50.0, 68.0), (-95.0, -77.0)) is None


@pytest.mark.parametrize(
    ("rise", "half", "told"),
    [(5.9, 0.1, False), (6.1, 0.1, True), (11.9, 6.0, False), (12.1, 6.0, True)],
)
def test_a_rise_must_exceed_six_hu_and_its_own_uncertainty(rise: float, half: float, told: bool) -> None:
    """Four half-widths in quadrature: 2 x 6 HU."""
    assert (agent((50.0, 50.0 + rise), (-95.0, -95.0), half) is not None) == told
    assert (agent((50.0 + rise, 50.0), (-95.0, -95.0), half) is not None) == told


def test_other_voltage_and_headers_that_say_so_are_asked_nothing() -> None:
    assert agent((50.0, 70.0), (-95.0, -95.0), kvp=80.0) is None
    assert agent((50.0, 70.0), (-95.0, -95.0), contrast_agent=False) is not None, "the first one does not say"
    scans = [Scan(n, n, GRID, LIKE, InMemory(Volume(np.zeros(GRID.shape, np.float32), GRID))) for n in (1, 2)]
    muscle = {(n, "reference_muscle"): row(n, "reference_muscle", 50.0 + 20 * n, 1.0) for n in (1, 2)}
    fat = {(n, "fat_reference"): row(n, "fat_reference", -95.0, 1.0) for n in (1, 2)}
    assert hidden_agent(scans[0], scans[1], {**muscle, **fat}) is None, "both say"
    unsaid = [replace(s, acquisition=replace(LIKE, contrast_agent=None)) for s in scans]
    assert hidden_agent(unsaid[0], unsaid[1], {**muscle, **fat}) is not None
    assert hidden_agent(unsaid[0], unsaid[1], muscle) is None
    lost = {**muscle, **fat, (2, "fat_reference"): row(2, "fat_reference", None)}
    assert hidden_agent(unsaid[0], unsaid[1], lost) is None


# ---- what two scans have in common -------------------------------------------------------------------


def line(*made: Acquisition, events: tuple[Event, ...] = ()) -> Timeline:
    box = InMemory(Volume(np.zeros(GRID.shape, np.float32), GRID))
    return Timeline(tuple(Scan(n, 30 * n, GRID, a, box) for n, a in enumerate(made, 1)), events=events)


def mass(scan: int, value: float, cautioned: bool = False, **shares: float) -> Measurement:
    """A mass whose parts are shares of it."""
    parts = {name.replace("_", " "): (share * value, share * value) for name, share in shares.items()}
    half = value * float(np.sqrt(sum(s * s for s in shares.values())))
    return row(scan, "mineral_mass", value, half, parts=parts, doubts=(UNSEEN,) if cautioned else ())


SHARE = st.floats(0.03, 0.3)


@given(SHARE, SHARE, SHARE, SHARE, st.floats(1.0, 1e4), st.floats(1.0, 1e4))
def test_the_variance_of_a_difference_of_logs_is_that_of_the_relative_difference(
    common: float, a: float, b: float, other: float, x: float, y: float
) -> None:
    """Var(log y - log x) = C11 + C22 - 2 C12 (JCGM 100:2008, 5.2.2), of half-widths in shares: values drop out."""
    rows = [mass(1, x, calibration=common, noise=a), mass(2, y, calibration=other, noise=b)]
    found = log_covariance(line(LIKE, LIKE), rows)
    one, two = np.hypot(common, a) / Z95, np.hypot(other, b) / Z95
    shared = [mass(1, 1.0, calibration=common, noise=a), mass(2, 1.0, calibration=other, noise=b)]
    down, up = half_widths(shared[0], shared[1], frozenset())
    apart = ((down + up) / (2 * Z95)) ** 2
    joint = float(np.clip(0.5 * (one**2 + two**2 - apart), 0.0, 0.98 * one * two))
    plain = np.array([[one**2, joint], [joint, two**2]])
    values, vectors = np.linalg.eigh(plain)
    expected = (vectors * np.maximum(values, 0.02 * values.max())) @ vectors.T
    assert found == pytest.approx(expected, rel=1e-6)


def test_a_common_slope_is_common_and_noise_is_not() -> None:
    """10 % of slope and 6 % of noise: covariance 0.10^2 where the slope is one, none where the voltage differs."""
    rows = [mass(1, 300.0, calibration=0.10, noise=0.06), mass(2, 700.0, calibration=0.10, noise=0.06)]
    alike, unlike = (log_covariance(line(LIKE, second), rows) for second in (LIKE, replace(LIKE, kvp=80.0)))
    assert alike * Z95**2 == pytest.approx(np.array([[0.0136, 0.0100], [0.0100, 0.0136]]), rel=1e-6)
    assert unlike * Z95**2 == pytest.approx(np.diag([0.0136, 0.0136]), rel=1e-6, abs=1e-12)
    wider = log_covariance(line(LIKE, LIKE), [rows[0], mass(2, 700.0, True, calibration=0.10, noise=0.06)])
    assert wider * Z95**2 == pytest.approx(np.array([[0.0136, 0.0200], [0.0200, 4 * 0.0136]]), rel=1e-6)


def test_no_value_is_known_better_than_to_a_percent_and_none_without_interval() -> None:
    sure = [row(n, "mineral_mass", 500.0, 0.1) for n in (1, 2)]
    assert np.diag(log_covariance(line(LIKE, LIKE), sure)) == pytest.approx([1e-4, 1e-4], rel=0.02)


@given(st.lists(st.tuples(SHARE, SHARE), min_size=3, max_size=5))
def test_a_covariance_of_many_scans_is_one(shares: list[tuple[float, float]]) -> None:
    """Symmetric, and no combination of values is known better than a fiftieth of the worst."""
    rows = [mass(n, 100.0 * n, calibration=c, noise=e) for n, (c, e) in enumerate(shares, 1)]
    found = log_covariance(line(*[LIKE] * len(rows)), rows)
    assert found == pytest.approx(found.T)
    values = np.linalg.eigvalsh(found)
    assert values.min() >= 0.0199 * values.max()


# ---- verdicts and curves -----------------------------------------------------------------------------


def test_which_scan_is_withheld_is_said_with_its_reason() -> None:
    for missing, pair in ((1, (None, 5.0)), (2, (5.0, None))):
        rows = [row(n, "mineral_mass", v) for n, v in zip((1, 2), pair, strict=True)]
        (found,) = find_changes(timeline(), rows)
        assert found.verdicts[0].number("scan") == missing


def test_a_change_of_a_diameter_itself_is_judged_like_the_others() -> None:
    """The size that a volume's limit goes by is that of the first scan."""
    rows = [row(n, "lesion_volume", v, 10.0) for n, v in ((1, 1e4), (2, 1.32e4))]
    for first, second, expected in ((60.0, 20.0, "yes"), (20.0, 60.0, "no")):  # 24 and 39 %
        sizes = [row(n, "longest_diameter", v, 0.1) for n, v in ((1, first), (2, second))]
        found = {c.quantity: c for c in find_changes(timeline(), [*rows, *sizes])}
        assert found["lesion_volume"].real == expected


def test_a_course_ends_with_an_excision_and_leaves_out_what_is_withheld_or_zero() -> None:
    values = [0.0, 50.0, None, 300.0, 700.0, 900.0, 20.0]
    rows = [row(n, "mineral_mass", v, 0.05 * (v or 0.0)) for n, v in enumerate(values, 1)]
    cut = Event(195, "excision")
    for events, count in (((), 5), ((cut,), 4), ((Event(180, "excision"),), 4), ((Event(179, "excision"),), 3)):
        times = line(*[LIKE] * 7, events=events)
        curve = next(c for c in find_curves(times, rows, find_changes(times, rows)) if c.quantity == "mineral_mass")
        assert curve.course is not None
        told = f"{count} scans give a value" in curve.course.reason
        assert told == (count == 3)
        assert len(curve.points) == 7
    bone = next(c for c in find_curves(times, rows, ()) if c.quantity == "cortex_gap")
    assert bone.course is None
    assert bone.statement == "fewer than two scans give a value (0 of 7)"
    assert [p.trust for p in bone.points] == ["withheld"] * 7


def test_a_lesion_may_stray_from_a_formula_by_five_percent_at_each_scan() -> None:
    """The course is that of the scans' own covariance and 0.05^2 more of each log value."""
    values = [60.0, 200.0, 520.0, 790.0, 900.0, 915.0]
    rows = [row(n, "mineral_mass", v, 0.06 * v) for n, v in enumerate(values, 1)]
    times = line(*[LIKE] * 6)
    curve = next(c for c in find_curves(times, rows, ()) if c.quantity == "mineral_mass")
    covariance = log_covariance(times, rows) + 0.05**2 * np.eye(6)
    expected = fit_course("mineral_mass", "mg", 30.0 * np.arange(1, 7), np.array(values), covariance)
    assert curve.course is not None
    assert expected.model != ""
    for a, b in zip(curve.course.parameters, expected.parameters, strict=True):
        assert (a.value, a.low, a.high) == pytest.approx((b.value, b.low, b.high))
