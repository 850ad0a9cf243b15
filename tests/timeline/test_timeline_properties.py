"""What holds for every case: days count from day zero, whatever the calendar says and however folders are called."""

from __future__ import annotations

import datetime
import tempfile
from pathlib import Path

from dicom_factory import Series
from hypothesis import given, settings
from hypothesis import strategies as st

from mineralize import timeline
from mineralize.timeline.which import number_of, scan_tag

FIRST = datetime.date(1999, 12, 1)
GAPS = st.lists(st.integers(1, 400), min_size=1, max_size=3)


def days_of(dates: list[datetime.date], order: list[int]) -> list[int]:
    """Days of a case whose scans were made on ``dates`` and are found on disk in another order."""
    with tempfile.TemporaryDirectory() as folder:
        for place, number in enumerate(order):
            Series(date=dates[number].strftime("%Y%m%d")).write(Path(folder) / f"part{place}")
        return [scan.day for scan in timeline.read(folder).scans]


@settings(deadline=None, max_examples=8)
@given(GAPS, st.integers(0, 9000), st.data())
def test_days_do_not_depend_on_the_calendar_nor_on_names(gaps: list[int], later: int, data: st.DataObject) -> None:
    days = [sum(gaps[:n]) for n in range(len(gaps) + 1)]
    dates = [FIRST + datetime.timedelta(days=later + day) for day in days]
    order = data.draw(st.permutations(range(len(days))))
    assert days_of(dates, order) == days


@settings(deadline=None, max_examples=8)
@given(GAPS)
def test_number_date_and_series_name_the_same_scan(gaps: list[int]) -> None:
    dates = [FIRST + datetime.timedelta(days=sum(gaps[:n])) for n in range(len(gaps) + 1)]
    with tempfile.TemporaryDirectory() as folder:
        for place, date in enumerate(dates):
            Series(date=date.strftime("%Y%m%d")).write(Path(folder) / f"part{place}")
        scans = timeline.read(folder).scans
    faults: list[str] = []
    for number, (scan, date) in enumerate(zip(scans, dates, strict=True), 1):
        for ref in (number, date, scan_tag(scan)):
            assert number_of(ref, scans, "lesion", faults) == number
    assert not faults
    for missing in (len(scans) + 1, FIRST - datetime.timedelta(days=1), "0" * 12):
        assert number_of(missing, scans, "lesion", faults) is None
    assert len(faults) == 3
