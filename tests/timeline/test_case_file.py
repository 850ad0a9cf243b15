"""``case.toml`` against slips and malice: one sentence, at once, and nothing that the user wrote in it."""

from __future__ import annotations

import os
import time
from pathlib import Path
from typing import Any

import pytest
from dicom_factory import Series, history

from mineralize import timeline
from mineralize.base import errors
from mineralize.batch.find import alias_of
from mineralize.timeline.case_file import parse


def case(folder: Path, text: str | bytes) -> timeline.Timeline:
    (folder / "case.toml").write_bytes(text if isinstance(text, bytes) else text.encode())
    return timeline.read(folder)


def special(folder: Path, kind: str) -> None:
    path = folder / "case.toml"
    if kind == "fifo":
        os.mkfifo(path)
    elif kind == "device":
        path.symlink_to("/dev/zero")
    elif kind == "link to nowhere":
        path.symlink_to(folder / "nowhere")
    elif kind == "huge":
        path.write_bytes(b"#" * (8 * 2**20))
    else:
        path.write_bytes(b"alias = " + b"[" * 100_000)


SPECIAL = ["fifo", "device", "link to nowhere", "huge", "nested"]


@pytest.mark.parametrize("kind", SPECIAL)
def test_a_case_file_that_is_none_is_said_at_once(tmp_path: Path, kind: str) -> None:
    Series().write(tmp_path)
    special(tmp_path, kind)
    began = time.monotonic()
    with pytest.raises(errors.CaseFileError, match=r"^case\.toml (is|could) "):
        timeline.read(tmp_path)
    assert time.monotonic() - began < 30


@pytest.mark.parametrize("kind", SPECIAL)
def test_batch_reads_it_with_the_same_reader(tmp_path: Path, kind: str) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    special(tmp_path / "a", kind)
    (tmp_path / "b" / "case.toml").write_bytes(b'\xef\xbb\xbfalias = "K-1"')
    began = time.monotonic()
    assert [alias_of(tmp_path / "a"), alias_of(tmp_path / "b")] == ["", "K-1"]
    assert time.monotonic() - began < 30


def test_a_byte_order_mark_is_no_fault(tmp_path: Path) -> None:
    Series().write(tmp_path)
    assert case(tmp_path, b'\xef\xbb\xbfalias = "K-3"').alias == "K-3"


@pytest.mark.parametrize("year", ["9024", "3024", "0001", "9999", "1024"])
@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("onset = {year}-03-02", "onset: lies more than 40000 days from a scan"),
        ('[[event]]\ndate = {year}-03-02\nkind = "other"', "event 1: its date lies more than 40000 days"),
        ("[[biopsy]]\npoint = [-29.0, -40.0, 108.0]\ndate = {year}-03-02", "biopsy 1: its date lies more than"),
        ("[[study]]\nstudy = 2\ndate = {year}-03-02", "years apart by their dates"),
    ],
)
def test_a_slip_in_a_year_is_said(tmp_path: Path, year: str, text: str, words: str) -> None:
    history(tmp_path)
    with pytest.raises(errors.InputError, match=words):
        case(tmp_path, text.format(year=year))


@pytest.mark.parametrize("date", ["00010101", "99991231", "10240101"])
def test_years_that_stand_for_none_count_as_missing(tmp_path: Path, date: str) -> None:
    Series(date=date, time="235960").write(tmp_path)
    with pytest.raises(errors.InputError, match="no usable date"):
        timeline.read(tmp_path)


def test_scans_that_lie_further_apart_than_a_life_are_asked_about(tmp_path: Path) -> None:
    Series(date="18500101").write(tmp_path / "a")
    Series(date="20240101").write(tmp_path / "b")
    with pytest.raises(errors.InputError, match="study 1 and study 2 lie 174 years apart"):
        timeline.read(tmp_path)


@pytest.mark.parametrize("last", ["20161231", "29991231"])
def test_a_leap_second_belongs_to_its_day(tmp_path: Path, last: str) -> None:
    """23:59:60 of 31 December 2016 was one (IERS Bulletin C 52); TM allows 60 (PS3.5 6.2)."""
    Series(date=last, time="235960.5").write(tmp_path)
    assert timeline.read(tmp_path).scans[0].date == f"{last[:4]}-12-31"


@pytest.mark.parametrize(
    "text",
    [
        "onset = 2016-12-31T23:59:60Z",
        "[lesion]\nseed = [" + "9" * 400 + ", 0, 0]",
        "[lesion]\nseed = [" + "9" * 5000 + ", 0, 0]",
        "[lesion]\nseed = [nan, inf, 0]",
        "[[event]]\nday = " + "9" * 400 + '\nkind = "other"',
        "[lesion]\nscan = " + "9" * 400 + "\nseed = [0, 0, 0]",
        "[[calibration]]\nscan = 1\nslope_hu_per_mg_cm3 = " + "9" * 400,
    ],
)
def test_numbers_that_cannot_be_are_one_sentence(tmp_path: Path, text: str) -> None:
    Series().write(tmp_path)
    with pytest.raises(errors.CaseFileError, match=r"^case\.toml") as caught:
        case(tmp_path, text)
    assert "99999" not in str(caught.value)


CANARY = "Xanthippe"
FAULTS: list[dict[str, Any]] = [
    {CANARY: 1},
    {"alias": CANARY * 20},
    {"onset": CANARY},
    {"one_patient": CANARY},
    {"lesion": CANARY},
    {"lesion": {"seed": [CANARY, 1, 2], "scan": CANARY, CANARY: 1, "outline": CANARY, "drawn": CANARY}},
    {"lesion": {"seed": [0, 0, 0], "more": [{CANARY: 1}, CANARY]}},
    {"event": [{"date": CANARY, "kind": CANARY, "text": [CANARY], CANARY: 2}]},
    {"biopsy": [{"point": CANARY, "day": CANARY, "scan": [CANARY]}]},
    {"series": [{"study": CANARY, "series": CANARY, "part": CANARY}]},
    {"study": [{"study": 1, "date": CANARY, "order": CANARY}]},
    {"calibration": [{"scan": CANARY, "slope_hu_per_mg_cm3": CANARY, "uncertainty": CANARY}]},
    {"calibration": [{"scan": 1, "rod": [{"at": CANARY, "axis": CANARY, "mg_cm3": CANARY}]}]},
    {"settings": CANARY},
    {"settings": {CANARY: 1, "mineral": {CANARY: 2, "threshold_hu120": CANARY, "other_thresholds_hu120": [CANARY]}}},
]


@pytest.mark.parametrize("table", FAULTS, ids=lambda t: next(iter(t)))
def test_no_fault_quotes_what_the_user_wrote(table: dict[str, Any]) -> None:
    with pytest.raises(errors.CaseFileError) as caught:
        parse(table)
    assert CANARY not in str(caught.value)


@pytest.mark.parametrize(
    "text", [f"{CANARY} = 1\n{CANARY} = 2", f"[{CANARY}]\n[{CANARY}]", f"a = {CANARY}", f'"{CANARY}']
)
def test_no_fault_of_form_quotes_it_either(tmp_path: Path, text: str) -> None:
    Series().write(tmp_path)
    with pytest.raises(errors.CaseFileError, match=r"not valid TOML \(at ") as caught:
        case(tmp_path, text)
    assert CANARY not in str(caught.value)
