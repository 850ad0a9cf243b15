"""What `scripts/validate_real` counts, against closed forms; and that it stops plainly without data."""

from __future__ import annotations

import sys
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from mineralize.base import Grid
from mineralize.lesion import Outline
from mineralize.surface import sphere_directions

sys.path.insert(1, str(Path(__file__).parents[2] / "scripts"))
from validation import real_command, real_page
from validation.real import CASES, filled, overlap, sections

GRID = Grid.from_parts((24, 60, 60), (2.5, 1.0, 1.0), (-29.5, -29.5, -28.75))


def ball(centre: tuple[float, float, float], radius: float) -> Outline:
    directions, faces = sphere_directions(1200)
    vertices = np.asarray(centre) + radius * directions
    return Outline(1, vertices, faces, np.ones(len(vertices)), "mineral shell", 0.5)


def voxels(centre: tuple[float, float, float], radius: float) -> Any:
    return np.linalg.norm(GRID.world_of_all() - centre, axis=-1) < radius


def test_a_filled_ball_is_the_ball() -> None:
    """A voxel is inside where its centre is."""
    inside = filled(ball((1.3, -2.2, 0.4), 14.0), GRID)
    assert inside.sum() * 2.5 == pytest.approx(4 / 3 * np.pi * 14.0**3, rel=0.02)
    assert (inside ^ voxels((1.3, -2.2, 0.4), 14.0)).sum() < 0.02 * inside.sum()


def test_a_slice_is_crossed_in_a_circle() -> None:
    lines = sections(ball((0.0, 0.0, 1.25), 12.0).vertices, ball((0.0, 0.0, 1.25), 12.0).faces, GRID, 12)
    away = np.linalg.norm(lines.reshape(-1, 2) - 29.5, axis=1)
    np.testing.assert_allclose(away, 12.0, atol=0.15)


def test_overlap_of_two_balls() -> None:
    """Equal balls of radius r, d apart share a lens of pi (4 r + d) (2 r - d)^2 / 12 (Weisstein, MathWorld)."""
    r, d = 14.0, 7.0
    lap = overlap(ball((0.0, 0.0, 0.0), r), voxels((d, 0.0, 0.0), r), GRID)
    lens = np.pi * (4 * r + d) * (2 * r - d) ** 2 / 12
    assert lap.ratio == pytest.approx(1.0, abs=0.02)
    assert lap.dice == pytest.approx(lens / (4 / 3 * np.pi * r**3), abs=0.02)


def test_distance_of_two_concentric_balls() -> None:
    lap = overlap(ball((0.0, 0.0, 0.0), 10.0), voxels((0.0, 0.0, 0.0), 15.0), GRID)
    assert lap.mean_mm == pytest.approx(5.0, abs=0.5)
    assert 5.0 <= lap.p95_mm < 6.5
    assert lap.ratio == pytest.approx((10 / 15) ** 3, abs=0.02)


def test_notes_name_known_cases_and_the_version_they_describe() -> None:
    found = real_page.notes()
    assert {n["case"] for n in found} <= {*CASES, "head"}
    for note in found:
        assert isinstance(note["looked"], date)
        assert note["code"]
        assert len(note["text"]) > 100


def test_the_page_needs_nothing_from_the_network(tmp_path: Path) -> None:
    real_page.write_page(tmp_path / "index.html", [], None, "scripts/validate_real --out DIR")
    text = (tmp_path / "index.html").read_text(encoding="utf-8")
    assert "with margins" in text
    assert 'src="http' not in text


def test_without_data_it_says_what_to_do(tmp_path: Path, monkeypatch: Any, capsys: Any) -> None:
    monkeypatch.delenv("MINERALIZE_CTDATA", raising=False)
    assert real_command.main(["--out", str(tmp_path / "out")]) == 4
    assert "MINERALIZE_CTDATA" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()
