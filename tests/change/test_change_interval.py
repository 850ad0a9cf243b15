"""The interval of a difference: correlated inputs against the closed form and against drawing at random."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from mineralize.base import Acquisition, Calibration, Grid, InMemory, Scan, Volume
from mineralize.change import interval as change_interval
from mineralize.change.interval import COMMON, half_widths
from mineralize.measure import Estimate, Measurement
from mineralize.measure.rows import as_row
from mineralize.timeline import differences

GRID = Grid.from_parts((2, 2, 2), (1.0, 1.0, 1.0))
BOX = Volume(np.zeros(GRID.shape, np.float32), GRID)
NONE: frozenset[str] = frozenset()


def mass(scan: int, value: float, **parts: float | tuple[float, float]) -> Measurement:
    named = {k.replace("_", " "): v if isinstance(v, tuple) else (v, v) for k, v in parts.items()}
    down, up = ({k: v[i] for k, v in named.items()} for i in (0, 1))
    return as_row(scan, Estimate("mineral_mass", "mg", value, down, up, bounds=(0.0, np.inf)))


def scan(number: int, made: Acquisition, calibration: Calibration | None = None) -> Scan:
    return Scan(number, 0, GRID, made, InMemory(BOX), calibration=calibration)


def test_rows_carry_their_parts() -> None:
    row = mass(1, 100.0, noise=3.0, background=(0.0, 4.0))
    assert row.parts == {"noise": (3.0, 3.0), "background": (0.0, 4.0)}
    assert (row.low, row.high) == pytest.approx((97.0, 105.0))


def test_a_slope_of_one_table_counts_once() -> None:
    """d = (m2 - m1) / s: the slope's relative error is that of the difference, JCGM 100:2008 5.2.2 with r = 1."""
    a, b = mass(1, 400.0, calibration=20.0), mass(2, 500.0, calibration=25.0)
    assert half_widths(a, b, NONE) == pytest.approx((5.0, 5.0))  # 5 % of 100 mg
    assert half_widths(b, a, NONE) == pytest.approx((5.0, 5.0))
    for ends in ("kvp", "maker", "calibration"):
        assert half_widths(a, b, frozenset({ends})) == pytest.approx((math.hypot(20, 25),) * 2)


def test_noise_and_outline_are_each_scans_own() -> None:
    a, b = mass(1, 400.0, noise=3.0, outline=8.0), mass(2, 500.0, noise=4.0, outline=6.0)
    assert half_widths(a, b, NONE) == pytest.approx((math.sqrt(25 + 100),) * 2)


@pytest.mark.parametrize("name", sorted(COMMON))
def test_symmetric_parts_follow_the_formula(name: str) -> None:
    """Var(b - a) = a^2 + b^2 - 2 r a b (JCGM 100:2008, 5.2.2)."""
    share, ends = COMMON[name]
    key = name.replace(" ", "_")
    a, b = mass(1, 400.0, **{key: 7.0}), mass(2, 500.0, **{key: 11.0})
    expected = math.sqrt(49 + 121 - 2 * share * 77)
    assert half_widths(a, b, NONE) == pytest.approx((expected, expected))
    for end in ends:
        assert half_widths(a, b, frozenset({end})) == pytest.approx((math.hypot(7, 11),) * 2)


@pytest.mark.parametrize("name", sorted(COMMON))
def test_common_perturbations_are_named_as_measured(name: str) -> None:
    """A perturbation that is renamed where it is measured would silently count twice."""
    folder = Path(change_interval.__file__).parents[1] / "measure"
    assert any(f'"{name}"' in p.read_text(encoding="utf-8") for p in folder.glob("*.py"))


def test_uneven_parts_against_drawing_at_random() -> None:
    """Half-widths as two standard deviations of a split normal, one draw for both scans and one for each."""
    rng = np.random.default_rng(4)
    down_a, up_a, down_b, up_b, share = 2.0, 10.0, 1.0, 6.0, 0.8

    def drawn(common: np.ndarray, own: np.ndarray, down: float, up: float) -> np.ndarray:
        def split(t: np.ndarray) -> np.ndarray:
            return np.where(t > 0, t * up, t * down) / 2

        return math.sqrt(share) * split(common) + math.sqrt(1 - share) * split(own)

    common, one, two = rng.standard_normal((3, 200_000))
    error = drawn(common, two, down_b, up_b) - drawn(common, one, down_a, up_a)
    a, b = mass(1, 400.0, background=(down_a, up_a)), mass(2, 500.0, background=(down_b, up_b))
    down, up = half_widths(a, b, NONE)
    held = float(((error >= -down) & (error <= up)).mean())
    assert 0.94 <= held <= 0.99
    assert down < math.hypot(down_b, up_a)


def test_rows_without_parts_add_in_quadrature_and_nothing_exceeds_both() -> None:
    a, b = replace(mass(1, 400.0, noise=3.0), parts=None), replace(mass(2, 500.0, noise=4.0), parts=None)
    assert half_widths(a, b, NONE) == pytest.approx((5.0, 5.0))
    at_floor = mass(1, 1.0, noise=50.0)  # its interval ends at 0 mg
    assert half_widths(at_floor, mass(2, 500.0, noise=4.0), NONE)[1] <= 4.0 + 1.0


def test_what_ends_a_common_scale() -> None:
    like = Acquisition(kvp=120.0, manufacturer="A", pixel_spacing_mm=0.7)
    assert differences(scan(1, like), scan(2, like)) == {}
    for changed, word in (
        (replace(like, kvp=None), "kvp"),
        (replace(like, manufacturer="B"), "maker"),
        (replace(like, pixel_spacing_mm=1.0), "pixel"),
    ):
        assert set(differences(scan(1, like), scan(2, changed))) == {word}
    own = scan(2, like, Calibration(slope=1.4))
    assert set(differences(scan(1, like), own)) == {"calibration"}
    unsaid = replace(like, kvp=None)  # two voltages that nobody knows are not known to be the same
    assert set(differences(scan(1, unsaid), scan(2, unsaid))) == {"kvp"}
