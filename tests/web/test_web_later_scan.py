"""A scan that joins a case later moves no mark: what the page writes names the series, not only its place in time."""

from __future__ import annotations

import tomllib
from pathlib import Path

from dicom_factory import Series
from web_factory import page, small_case

from mineralize import timeline
from mineralize.web.shelf import Shelf
from mineralize.web.work import Work

AT = [-29.0, -40.0, 108.0]


def quiet(stage: str, done: int, total: int) -> None:
    pass


def test_an_earlier_scan_moves_numbers_but_no_mark(tmp_path: Path) -> None:
    folder = small_case(tmp_path / "one", "K-017")
    (case,) = Shelf(tmp_path).cases()
    Work(case).glance({}, quiet)
    with page(tmp_path) as served:
        address = f"/api/cases/{case.key}"
        origin = {"Origin": served.origin}

        def post(act: dict[str, object], version: str) -> tuple[int, dict[str, object]]:
            answer = served.client.post(f"{address}/acts", json={"version": version, "act": act}, headers=origin)
            return answer.status_code, answer.json()

        told = served.client.get(address).json()
        assert all("tag" not in scan for scan in told["scans"])
        margin = {"do": "margin", "scan": 1, "at": AT, "today": "2026-11-29", "carry": False, "series": "0" * 12}
        status, told = post(margin, told["given"]["version"])
        assert status == 200
        assert told["given"]["table"]["margin"][0]["scan"] == 1
        assert "series" not in told["given"]["table"]["margin"][0], "what is made of a UID stays out of the browser"
        written = tomllib.loads((folder / "case.toml").read_text())["margin"][0]
        assert written["scan"] == 1
        assert len(written["series"]) == 12
        assert written["series"] != "0" * 12, "the page does not say which series it is"
        day = timeline.read(folder).scans[0].date

        Series(date="20240101").write(folder / "earlier")
        version = served.client.get(address).json()["given"]["version"]
        status, told = post(margin | {"scan": 2}, version)
        assert status == 409, "the page still counts as before the earlier scan came in"

        read = timeline.read(folder)
        assert [p.scan for p in read.by_hand.margin] == [2]
        assert read.scans[1].date == day
        Work(case).glance({}, quiet)
        told = served.client.get(address).json()
        assert told["given"]["table"]["margin"][0]["scan"] == 2
