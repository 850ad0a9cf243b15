"""Regions drawn elsewhere, dropped into a case, offered and taken; a later scan added by the same gesture."""

from __future__ import annotations

import io
import tomllib
from pathlib import Path

import numpy as np
import pytest
from dicom_factory import Series, save, voxels
from dicom_objects import contour_set, segmentation
from web_factory import Page, page, wait_for

import mineralize as mz


def dropped(held: Page, paths: list[Path], **more: str) -> str:
    """Drop files in as the page does; returns the key of the case."""
    drop = held.client.post("/api/drops", json={}).json()["drop"]
    for number, path in enumerate(paths):
        assert held.client.put(f"/api/drops/{drop}/{number}", content=path.read_bytes()).status_code == 200
    answer = held.client.post(f"/api/drops/{drop}/finish", json=more)
    assert answer.status_code == 200, answer.text
    return str(answer.json()["key"])


@pytest.mark.parametrize("kind", ["segmentation", "contour set"])
def test_a_region_drawn_elsewhere_is_offered_and_taken(tmp_path: Path, kind: str) -> None:
    series = Series(hu=voxels((9, 21, 23)))
    mask = np.zeros((9, 21, 23), bool)
    mask[2:6, 5:12, 7:16] = True
    files = series.write(tmp_path / "scan")
    drawn = tmp_path / "drawn"
    save((segmentation if kind == "segmentation" else contour_set)(series, mask), drawn)
    root = tmp_path / "root"
    root.mkdir()
    with page(root) as held:
        key = dropped(held, files, alias="D-1")
        assert dropped(held, [drawn], into=key) == key
        assert held.client.post(f"/api/cases/{key}/job", json={"do": "glance"}).status_code == 200
        assert wait_for(held.client, key)["state"] == "done"
        told = held.client.get(f"/api/cases/{key}").json()
        (offer,) = told["offers"]
        assert offer["region"]
        assert offer["volume_mm3"] == pytest.approx(4 * 7 * 9 * 2.5 * 0.7 * 0.6, rel=0.25)
        act = {"do": "drawn", "number": 1, "outline": True}
        sent = {"version": told["given"]["version"], "act": act}
        assert held.client.post(f"/api/cases/{key}/acts", json=sent).status_code == 200
        case = held.shelf.case(key)
        lesion = tomllib.loads(case.case_file.read_text())["lesion"]
        tag = lesion.pop("tag")
        assert lesion == {"drawn": 1, "outline": True}
        assert len(tag) == 12
        assert tag not in held.client.get(f"/api/cases/{key}").text


def test_a_later_scan_is_added_by_the_same_gesture(tmp_path: Path) -> None:
    first, later = Series(date="20240302"), Series(date="20240510")
    root = tmp_path / "root"
    root.mkdir()
    with page(root) as held:
        key = dropped(held, first.write(tmp_path / "a"), alias="D-2")
        assert dropped(held, later.write(tmp_path / "b"), into=key) == key
        held.client.post(f"/api/cases/{key}/job", json={"do": "glance"})
        assert wait_for(held.client, key)["state"] == "done"
        told = held.client.get(f"/api/cases/{key}").json()
        assert [s["day"] for s in told["scans"]] == [0, 69]
        folder = held.shelf.case(key).folder
        assert {p.name for p in folder.iterdir()} >= {"case.toml", "added-001"}


def test_what_is_exported_is_the_same_bytes_each_time(tmp_path: Path) -> None:
    from web_factory import made_up_case, measured

    case = measured(made_up_case(tmp_path, "D-3"))
    with page(tmp_path) as held:
        path = f"/api/cases/{case.key}/export.zip"
        assert held.client.get(path).content == held.client.get(path).content
        assert io.BytesIO(held.client.get(path).content).getvalue()[:2] == b"PK"


def test_a_region_taken_stays_itself_when_another_is_drawn(tmp_path: Path) -> None:
    series = Series(hu=voxels((9, 21, 23)))
    taken, other = np.zeros((9, 21, 23), bool), np.zeros((9, 21, 23), bool)
    taken[2:6, 5:12, 7:16] = True
    other[1:7, 12:19, 2:9] = True
    files = series.write(tmp_path / "scan")
    for name, mask in (("b", taken), ("a", other)):
        (tmp_path / name).mkdir()
        save(segmentation(series, mask), tmp_path / name / name)
    root = tmp_path / "root"
    root.mkdir()
    with page(root) as held:
        key = dropped(held, files, alias="D-4")
        dropped(held, [tmp_path / "b" / "b"], into=key)
        held.client.post(f"/api/cases/{key}/job", json={"do": "glance"})
        assert wait_for(held.client, key)["state"] == "done"
        told = held.client.get(f"/api/cases/{key}").json()
        sent = {"version": told["given"]["version"], "act": {"do": "drawn", "number": 1, "outline": True}}
        assert held.client.post(f"/api/cases/{key}/acts", json=sent).status_code == 200
        case = held.shelf.case(key)
        before = mz.read(case.folder)
        point = before.seeds[0].point
        # Read before the first one, so that numbers move: a folder that sorts ahead of where drops go.
        (case.folder / "0").mkdir()
        (case.folder / "0" / "a").write_bytes((tmp_path / "a" / "a").read_bytes())
        after = mz.read(case.folder)
        assert len(after.offered) == 2
        assert after.seeds[0].point == point
        chosen = {o.number: o for o in after.offered}[after.drawn_outline or 0]
        assert chosen.point == point
        stale = {"version": told["given"]["version"], "act": {"do": "drawn", "number": 1, "outline": True}}
        assert held.client.post(f"/api/cases/{key}/acts", json=stale).status_code == 409
        text = case.case_file.read_text()
        tag = tomllib.loads(text)["lesion"]["tag"]
        case.case_file.write_text(text.replace(tag, "0" * 12))
        with pytest.raises(mz.InputError, match=r"the place that lesion\.tag names"):
            mz.read(case.folder)
        case.case_file.write_text(text.replace(tag, "first"))
        with pytest.raises(mz.InputError, match=r"lesion\.tag: expected 12 hexadecimal digits"):
            mz.read(case.folder)
