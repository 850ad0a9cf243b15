"""Outlines, sweeps and changes of `scripts/validate`: distances of known spheres, counting of hand-made rows."""

from __future__ import annotations

import math
import re
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from skimage.measure import marching_cubes

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "scripts"))

from validation import changes, singles  # noqa: E402
from validation.cases import FACTORS, SWEEP_SCAN, outline_case, sweep_case, sweep_variants  # noqa: E402
from validation.histories import Job  # noqa: E402
from validation.limits import Check  # noqa: E402
from validation.page import write_page  # noqa: E402
from validation.report import verdict_lines, verdict_rows  # noqa: E402
from validation.runs import Outcome, Row, Step  # noqa: E402
from validation.surfaces import NOTHING, Distances, Outlined, compare, spread_points  # noqa: E402

GOOD = Outlined(
    "size-30", 0, 30.0, 2.0, 0.85, 1.25, 0.75, True, -6.0, 0.01, Distances(0.1, 0.3, 1.0), Distances(0.2, 0.5, 0.15),
    NOTHING, "mineral shell", "ok", "",
)  # fmt: skip
STEP = Step("scanners", "random-unchanged", 0, 1, 2, "mineral_mass", 0.0, 3.0, "no", "", True, 500.0, 0.0, -20.0, 50.0)


def sphere(radius: float, step: float = 0.5) -> tuple[np.ndarray, np.ndarray]:
    """A mesh of a ball about the origin, normals outward."""
    n = int(radius / step) + 4
    axis = np.arange(-n, n + 1) * step
    x, y, z = np.meshgrid(axis, axis, axis, indexing="ij")
    vertices, faces, _, _ = marching_cubes(radius - np.sqrt(x**2 + y**2 + z**2), 0.0, spacing=(step,) * 3)
    return vertices - n * step, faces


# ---- surfaces ------------------------------------------------------------------------------------
def test_points_of_a_mesh_carry_its_area_and_normals() -> None:
    """4 pi r^2."""
    vertices, faces = sphere(10.0)
    points, normals, area = spread_points(vertices, faces, 0.4)
    assert area.sum() == pytest.approx(4 * math.pi * 100, rel=0.01)
    facing = np.abs((normals * points).sum(axis=1)) / np.linalg.norm(points, axis=1)
    assert np.average(facing, weights=area) == pytest.approx(1.0, abs=0.005)


@pytest.mark.parametrize("off", [-1.5, 0.6])
def test_a_ball_wider_by_a_known_amount(off: float) -> None:
    """Concentric spheres: every distance is the difference of the radii, in both directions."""
    history = outline_case("complete-1", 0)
    plain = {**history.table["lesion"], "radii": [12.0, 12.0, 12.0], "lobes": 0.0}
    ball = type(history)("ball", 0, {**history.table, "lesion": plain})
    vertices, faces = sphere(12.0 + off)
    found = compare(ball, 0, vertices + ball.centroid(0), faces)
    assert found["whole"].mean == pytest.approx(abs(off), abs=0.06)
    assert found["whole"].p95 == pytest.approx(abs(off), abs=0.15)
    assert found["gaps"] is NOTHING
    assert found["bone"] is NOTHING


def test_gaps_are_where_the_shell_is_not() -> None:
    """A mesh that leaves the truth only where the shell is open is wrong in the gaps alone."""
    history = outline_case("complete-0.5", 0)
    plain = {**history.table["lesion"], "radii": [12.0, 12.0, 12.0], "lobes": 0.0, "gaps": [[0.0, 0.0, 1.0]]}
    ball = type(history)("ball", 0, {**history.table, "lesion": plain})
    vertices, faces = sphere(12.0)
    body = vertices @ ball.to_body(0)[:3, :3].T
    top = np.clip((body[:, 2] / 12.0 - 0.3) / 0.2, 0, 1)
    found = compare(ball, 0, vertices * (1 + 0.1 * top[:, None]) + ball.centroid(0), faces)
    assert found["gaps"].share == pytest.approx(0.5, abs=0.08)
    assert found["gaps"].mean > 0.6
    assert found["whole"].mean == pytest.approx(found["gaps"].mean * found["gaps"].share, abs=0.15)


def test_every_case_shows_its_whole_lesion() -> None:
    for variant in ("size-10", "size-120", "flare-1.5", "bone-into-3", "thick-5", "no-mineral-large"):
        assert outline_case(variant, 0).lesion_in_view(0), variant
    assert len(set(sweep_variants())) == len(sweep_variants())


def test_a_sweep_changes_the_scan_and_never_the_lesion() -> None:
    base = sweep_case("shell:base", 0)
    for variant in ("shell:kvp-80.0", "shell:slice_mm-3.0", "shell:field_mm-700.0", "shell:corner-coarse"):
        other = sweep_case(variant, 0)
        assert other.lesions(0) == base.lesions(0), variant
        assert other.scans[0] != base.scans[0], variant
    assert sweep_case("shell:field_mm-700.0", 0).scans[0]["pixel_mm"] == pytest.approx(700 / 512)
    thick, low = sweep_case("shell:slice_mm-3.0", 0), sweep_case("shell:kvp-80.0", 0)
    np.testing.assert_array_equal(thick.to_body(0), base.to_body(0))  # so that both share one truth
    assert thick.__dict__["_kept"] is base.__dict__["_kept"]
    assert low.__dict__["_kept"] is not base.__dict__["_kept"]
    for factor, (values, _) in FACTORS.items():
        assert SWEEP_SCAN[factor] in values


# ---- promises ------------------------------------------------------------------------------------
def verdict(found: list[Check], start: str) -> bool | None:
    return next(c.held for c in found if c.text.startswith(start))


def outlines(*made: Outlined) -> list[Check]:
    return singles.checks([Outcome(Job("outlines", "outline", 0, m.case), outlined=(m,)) for m in made])


def test_outline_promises_hold_and_break() -> None:
    assert all(c.held for c in outlines(GOOD))
    assert verdict(outlines(replace(GOOD, whole=Distances(0.4, 0.5, 1.0))), "trusted outlines: mean surface") is False
    assert verdict(outlines(replace(GOOD, whole=Distances(0.1, 1.6, 1.0))), "trusted outlines: 95th") is False
    assert (
        verdict(outlines(replace(GOOD, gaps=Distances(1.1, 2.0, 0.1))), "trusted outlines: mean in the gaps") is False
    )
    doubtful = replace(GOOD, trust="caution", whole=Distances(1.2, 4.0, 1.0))
    assert all(c.held for c in outlines(doubtful))
    assert not all(c.held for c in outlines(replace(doubtful, whole=Distances(1.6, 4.0, 1.0))))


def test_a_mass_without_mineral_must_be_outlined_where_it_stands_out() -> None:
    seen = replace(GOOD, mineral=False, soft_hu=-30.0, trust="caution", method="mass margin")
    assert verdict(outlines(seen), "no mineral, 20 HU") is True
    assert verdict(outlines(replace(seen, trust="withheld")), "no mineral, 20 HU") is False
    unclear = replace(seen, soft_hu=0.0)
    assert verdict(outlines(replace(unclear, trust="withheld", whole=NOTHING)), "no mineral and less") is True
    assert verdict(outlines(replace(unclear, whole=Distances(3.0, 9.0, 1.0))), "no mineral and less") is False
    assert verdict(outlines(replace(unclear, trust="ok")), "no mineral and less") is False


def scanned(setting: str, mass: float | None, **volumes: float) -> Outcome:
    def row(quantity: str, unit: str, truth: float, value: float | None) -> Row:
        ends = (None, None) if value is None else (0.9 * value, 1.1 * value)
        return Row(
            "sweep", "sweep", 0, 1, quantity, unit, truth, value, *ends, "withheld" if value is None else "ok", "", "",
            True, 30.0, 1.5, 120.0, 12.0, 2.0, 0.9, "",
        )  # fmt: skip

    rows = [row("mineral_mass", "mg", 500.0, mass)]
    rows += [row(name, "mm3", 1000.0, 1000.0 * volumes.get(f"v{t}", 1.0)) for t, name in singles.VOLUMES.items()]
    return Outcome(Job("sweep", "sweep", 0, f"shell:{setting}"), tuple(rows))


def test_sweep_promises_hold_and_break() -> None:
    held = singles.checks([scanned("base", 505.0), scanned("kvp-80.0", 490.0), scanned("kvp-140.0", None)])
    assert [c.held for c in held] == [True, True]
    assert "1 withheld" in held[0].found
    off = singles.checks([scanned("base", 510.0), scanned("kvp-80.0", 530.0)])
    assert [c.held for c in off] == [False, True]
    moved = singles.checks([scanned("base", 480.0), scanned("kvp-80.0", 520.0)])
    assert [c.held for c in moved] == [True, False]
    assert "shell kvp-80.0" in moved[1].found


def test_the_table_gives_the_range_of_every_factor() -> None:
    """(max - min) / mean: 1.2 and 1.5 over 1.35 are 22.2 %."""
    made = [scanned("base", 500.0, v130=1.2), scanned("slice_mm-3.0", 500.0, v130=1.5)]
    rows = singles.swept(made)
    assert [v for v, _ in singles.factor_rows(rows, "shell", "slice_mm", 0)] == ["1.5", "3.0"]
    text = "\n".join(singles.lines(made))
    assert "22.2%" in text
    assert "slice 3.0 mm" in text


# ---- changes -------------------------------------------------------------------------------------
def test_shares_carry_the_score_interval() -> None:
    """Wilson (1927): none of n gives an upper end of z^2 / (n + z^2), with z = 1.95996."""
    z = 1.959964
    assert f"0.0-{100 * z**2 / (10 + z**2):.1f}" in changes.share_words(0, 10)
    assert changes.share_words(0, 0) == "0 of 0"


def made(*steps: Step) -> list[Outcome]:
    return [Outcome(Job("scanners", "random", s.seed, "denser"), steps=(s,)) for s in steps]


def test_withheld_masses_are_counted_but_not_as_missed() -> None:
    seen = [replace(STEP, history="random-denser", seed=n, true_percent=25.0, real="yes") for n in range(18)]
    missed = replace(seen[0], seed=18, real="unsure", reason="thick slices")
    none = replace(seen[0], seed=19, real="unsure", percent=None, low=None, high=None, reason="withheld")
    found = changes.checks(made(*seen, missed, none))
    assert verdict(found, "a quarter more mineral") is True
    assert "18 of 19" in found[0].found
    text = "\n".join(changes.lines(made(*seen, missed, none)))
    assert "of all histories: 18 of 20" in text
    assert "missed: random-denser 18" in text
    assert "thick slices" in text
    assert verdict(changes.checks(made(*seen[:9], missed, replace(missed, seed=20))), "a quarter") is False


def test_false_alarms_and_coverage() -> None:
    alarm = replace(STEP, seed=1, real="yes", low=5.0, high=50.0)
    text = "\n".join(changes.lines(made(STEP, alarm)))
    assert "histories with any false alarm: 1 of 2" in text
    assert "true change inside its interval, both ends trusted: 1 of 2" in text
    assert "median width" in text
    assert verdict(changes.checks(made(STEP, alarm)), "random-unchanged") is False
    assert verdict(changes.checks(made(*[replace(STEP, seed=n) for n in range(30)], alarm)), "random-unchanged") is True


# ---- page ----------------------------------------------------------------------------------------
def test_the_page_shows_every_set(tmp_path: Path) -> None:
    rows = scanned("base", 500.0).rows
    broken = Outcome(Job("broken", "mirrored", 0), tuple(replace(r, kind="broken", faults="mirrored") for r in rows))
    refused = Outcome(Job("broken", "two-patients", 0), refused="two patients <in one folder>")
    shown = [
        *(Outcome(Job("outlines", "outline", 0, m.case), outlined=(m,))
          for m in (GOOD, replace(GOOD, case="shell-0.8", trust="withheld", reason="a & b"))),
        scanned("base", 505.0), scanned("kvp-80.0", None), scanned("kernel-sharp", 480.0, v130=1.4),
        *made(STEP, replace(STEP, real="yes", quantity="lesion_volume")), broken, refused,
    ]  # fmt: skip
    write_page(tmp_path / "index.html", shown, "scripts/validate --set <sets>")
    page = (tmp_path / "index.html").read_text(encoding="utf-8")
    for word in ("Outlines against the true surface", "Mineral over scanner settings", "Changes", "Spoiled scans",
                 "a &amp; b", "two patients &lt;in one folder&gt;", "&lt;sets&gt;", "shell, seed 0"):  # fmt: skip
        assert word in page, word
    assert page.count("<img") == 1 + 1 + 1 + 1  # outlines, one lesion swept, changes, mineral mass
    assert "nan" not in re.sub(r"base64,[^\"]*", "", page)


def test_verdicts_tell_what_is_withheld_absent_and_wrong() -> None:
    plain = scanned("base", 550.0).rows[0]
    rows = [
        replace(plain, kind="broken"),
        replace(plain, kind="broken", quantity="lesion_volume", truth=None),
        replace(plain, kind="broken", quantity="longest_diameter", trust="withheld", measured=None),
    ]
    head, found = verdict_rows([Outcome(Job("broken", "mirrored", 0), tuple(rows)), scanned("base", 500.0)])
    (row,) = found
    cells = dict(zip(head, row, strict=True))
    assert cells["mineral mass"] == "+10.0% ok"
    assert cells["lesion volume"] == "550 (none) ok"
    assert cells["longest diameter"] == "withheld"
    assert cells["rim core ratio"] == "-"
    assert "+10.0% ok" in "\n".join(verdict_lines([Outcome(Job("broken", "mirrored", 0), tuple(rows))]))
