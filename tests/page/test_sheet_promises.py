"""Promises of the sheet that no other test holds: axes of shares, labels at their ticks, small pictures, folders."""

from __future__ import annotations

import re
from itertools import combinations
from pathlib import Path

import pytest
import study_factory
from matplotlib.figure import Figure
from PIL import Image

from mineralize.cli import commands as cli
from mineralize.figures import course_panel
from mineralize.page.pdf_first import levels, stacked
from mineralize.results import record, texts, views

ROOT = Path(__file__).parents[2]
DOCUMENT = record.history(study_factory.study(), views.plan(study_factory.study()))


def test_shares_have_axes_from_nothing_to_all_and_other_quantities_begin_at_zero() -> None:
    for quantity, ticks in (("rim_completeness", [0, 25, 50, 75, 100]), ("lesion_volume", None)):
        axes = Figure().add_subplot()
        course_panel(axes, quantity, [r for r in DOCUMENT["measurements"] if r["quantity"] == quantity], DOCUMENT)
        low, high = axes.get_ylim()
        assert low <= 0
        if ticks is not None:
            assert list(axes.get_yticks()) == ticks
            assert (low, high) == pytest.approx((0, 100), abs=3)


@pytest.mark.parametrize("place", [levels, stacked])
def test_labels_of_a_time_line_stand_at_their_ticks_and_never_over_each_other(place: object) -> None:
    """Boxes (left, width in mm) keep their places; where two would overlap they stand in different rows."""
    boxes = [(10.0, 14.0), (12.0, 14.0), (30.0, 14.0), (31.0, 14.0), (32.0, 14.0), (80.0, 14.0)]
    rows = place(boxes)  # type: ignore[operator]
    for (a, row), (b, other) in combinations(zip(boxes, rows, strict=True), 2):
        if row == other:
            assert a[0] + a[1] <= b[0] or b[0] + b[1] <= a[0]
    assert rows[-1] == 0  # alone, beside the line


def test_the_pictures_of_the_readme_are_two_and_small() -> None:
    shown = re.findall(r"!\[[^\]]+\]\((docs/[^)]+)\)", (ROOT / "README.md").read_text(encoding="utf-8"))
    assert sorted(shown) == sorted(f"docs/{p.name}" for p in (ROOT / "docs").glob("*.png"))
    assert len(shown) == 2
    for path in shown:
        assert (ROOT / path).stat().st_size < 100_000
        with Image.open(ROOT / path) as picture:
            assert max(picture.size) <= 900


def test_an_impression_of_a_folder_without_results_is_refused_with_one_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for folder in (tmp_path, tmp_path / "missing"):
        assert cli.main(["impression", str(folder)]) != 0
        said = capsys.readouterr()
        assert texts.NO_RESULTS in said.err.replace("\n", " ")
        assert said.out == ""
