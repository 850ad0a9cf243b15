"""``[[margin]]``, ``[[contour]]``, ``[[mineral]]`` of ``case.toml``: read as written, faults told at once, unquoted."""

from __future__ import annotations

import datetime
from pathlib import Path

import pytest
from dicom_factory import history

from mineralize import timeline
from mineralize.base import CaseFileError
from mineralize.timeline.case_file import parse

INSIDE = "[-29.0, -40.0, 108.0]"
CURVE = "[[-31.0, -40.0, 108.0], [-27.0, -40.0, 108.0], [-27.0, -44.0, 108.0], [-31.0, -44.0, 108.0]]"


def case(folder: Path, text: str) -> timeline.Timeline:
    history(folder)
    (folder / "case.toml").write_text(text, encoding="utf-8")
    return timeline.read(folder)


def test_every_act_with_its_scan_and_its_day(tmp_path: Path) -> None:
    found = case(
        tmp_path,
        f"""
        onset = 2024-02-20
        [[margin]]
        scan = 2
        at = {INSIDE}
        day = 2024-03-29
        carry = true
        [[margin]]
        scan = 1
        at = {INSIDE}
        day = 40
        [[contour]]
        scan = 3
        points = {CURVE}
        [[mineral]]
        scan = 2
        at = {INSIDE}
        act = "take"
        """,
    ).by_hand
    assert [(p.scan, p.day, p.carry) for p in found.margin] == [(2, 38, True), (1, 40, False)]
    assert found.margin[0].at == (-29.0, -40.0, 108.0)
    assert (found.contours[0].scan, len(found.contours[0].points), found.contours[0].day) == (3, 4, None)
    assert (found.mineral[0].act, found.mineral[0].carry) == ("take", False)
    assert found.scans == {1, 2, 3}
    assert len(found.of(2, carried_only=True).margin) == 1
    assert not found.of(2, carried_only=True).mineral


def test_a_case_without_corrections_has_none(tmp_path: Path) -> None:
    assert not case(tmp_path, 'alias = "K-1"').by_hand


def test_every_fault_is_told_with_its_place_and_no_value() -> None:
    table = {
        "margin": [{"scan": 1, "at": [1.0, 2.0]}, {"scan": 1, "at": [1.0, 2.0, 3.0], "colour": "red"}],
        "contour": [
            {"scan": 1, "points": [[0, 0, 0], [1, 0, 0]]},
            {"scan": 1, "points": [[0, 0, 0], [10, 0, 0], [20, 0, 0], [30, 0, 0]]},
            {"scan": 1, "points": [[0, 0, 0], [20, 0, 9], [20, 20, 0], [0, 20, 9]]},
        ],
        "mineral": [
            {"scan": 1, "at": [1, 2, 3], "act": "erase"},
            {"scan": 0, "at": [1, 2, 3], "act": "add", "carry": "yes"},
        ],
    }
    with pytest.raises(CaseFileError) as error:
        parse(table)
    for place in (
        "margin 1.at", "margin 2: key 3 is unknown", "contour 1.points", "contour 2.points: the curve encloses nothing",
        "contour 3.points: the points leave their plane", "mineral 1.act", "mineral 2.scan", "mineral 2.carry",
    ):  # fmt: skip
        assert place in str(error.value)
    assert "erase" not in str(error.value)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (f"[[margin]]\nscan = 7\nat = {INSIDE}\n", "margin 1: there is no scan 7; the case has 3"),
        (
            f'[[margin]]\nscan = 1\nseries = "0123456789ab"\nat = {INSIDE}\n',
            "margin 1: the series that it names",
        ),
        (f'[[margin]]\nseries = "Name^Given"\nat = {INSIDE}\n', "margin 1.series: expected twelve digits"),
        ("[[margin]]\nscan = 1\nat = [900, 0, 0]\n", "margin 1: lies far outside scan 1; expected LPS mm of that scan"),
    ],
)
def test_what_lies_in_no_scan_is_refused(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(CaseFileError, match=said):
        case(tmp_path, text)


def test_a_day_may_be_a_date_although_the_scans_have_none(tmp_path: Path) -> None:
    """The day of an act is not needed to place anything; a date that cannot be counted from day zero is left out."""
    given = parse({"margin": [{"scan": 1, "at": [-29.0, -40.0, 108.0], "day": datetime.date(2026, 11, 28)}]})
    assert given.corrections.margin[0].at == datetime.date(2026, 11, 28)


def test_a_series_goes_before_a_number_wherever_a_scan_is_named(tmp_path: Path) -> None:
    """An earlier scan that comes in later would else move every mark by one."""
    tags = [timeline.scan_tag(scan) for scan in case(tmp_path, "").scans]
    assert len(set(tags)) == 3
    text = f"""
        [lesion]
        scan = 1
        series = "{tags[2]}"
        seed = {INSIDE}
        [[biopsy]]
        series = "{tags[1]}"
        point = {INSIDE}
        [[contour]]
        scan = 3
        series = "{tags[0]}"
        points = {CURVE}
        [[calibration]]
        scan = 1
        series = "{tags[1]}"
        slope_hu_per_mg_cm3 = 1.2
        """
    (tmp_path / "case.toml").write_text(text, encoding="utf-8")
    found = timeline.read(tmp_path)
    assert [seed.scan for seed in found.seeds] == [3]
    assert [site.scan for site in found.biopsies] == [2]
    assert [curve.scan for curve in found.by_hand.contours] == [1]
    assert [scan.calibration is not None for scan in found.scans] == [False, True, False]
