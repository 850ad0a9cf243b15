"""A results folder: what is not ours is never deleted, old or new results are always whole, one case to a folder."""

from __future__ import annotations

import errno
import json
import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
import study_factory

from mineralize.base import OutputError
from mineralize.cases import bound, exchange, folder, leftovers, marker, one, seal
from mineralize.dicom_out import seg
from mineralize.figures import Pictures
from mineralize.results import Options
from mineralize.study import Study

FORM = 'reader = "P1"\natypia = "mild"\n'


@pytest.fixture(autouse=True)
def undrawn(monkeypatch: pytest.MonkeyPatch) -> None:
    """No pictures, they have tests of their own."""
    monkeypatch.setattr(one, "draw", lambda *_: Pictures({"course.png": b"drawn"}, {}))
    monkeypatch.setattr(one, "render_pdf", lambda *_: b"%PDF-1.4")
    monkeypatch.setattr(seg, "write", lambda *_: {})


@pytest.fixture(scope="module")
def study() -> Study:
    return study_factory.study()


def files(place: Path) -> dict[str, bytes]:
    return {p.relative_to(place).as_posix(): p.read_bytes() for p in sorted(place.rglob("*")) if p.is_file()}


def simple(out: Path, text: str, **given: Any) -> None:
    with folder.whole_folder(out, **given) as fresh:
        folder.write_text(fresh / "history.json", text)
        (fresh / "figures").mkdir()
        folder.write_text(fresh / "figures" / "a.svg", text)


@pytest.fixture(params=["exchange", "two renames", "inside"])
def way(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """Every way in which results can take their place."""
    if request.param == "two renames":
        monkeypatch.setattr(folder, "exchange", lambda *_: False)
    if request.param == "inside":
        (tmp_path / "out").mkdir()
        monkeypatch.setattr("os.path.ismount", lambda path: Path(path) == tmp_path / "out")
    return str(request.param)


def test_the_exchange_is_one_step_here(tmp_path: Path) -> None:
    """renameat2(2), RENAME_EXCHANGE: both names stay, what they name changes places."""
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    (tmp_path / "a" / "one").touch()
    if not exchange.exchange(tmp_path / "a", tmp_path / "b"):
        pytest.skip("not on this system")
    assert (tmp_path / "b" / "one").exists()
    with pytest.raises(OSError, match="No such file"):
        exchange.exchange(tmp_path / "a", tmp_path / "missing")


def test_replaced_whole_and_nothing_left(way: str, tmp_path: Path) -> None:
    out = tmp_path / "out"
    for text in ("old", "new"):
        simple(out, text)
    assert {name: data for name, data in files(out).items() if name != ".mineralize"} == {
        "history.json": b"new",
        "figures/a.svg": b"new",
    }
    assert os.listdir(tmp_path) == ["out"]
    assert sorted(os.listdir(out)) == [".mineralize", "figures", "history.json"]


@pytest.mark.parametrize("name", ["notes.txt", "figures/notes.txt", "impressions/notes.txt", "link", "figures/link"])
def test_a_strangers_file_is_refused_and_stays(way: str, tmp_path: Path, name: str) -> None:
    out = tmp_path / "out"
    simple(out, "old")
    stranger = out / name
    stranger.parent.mkdir(exist_ok=True)
    if "link" in name:
        stranger.symlink_to(tmp_path)
    else:
        stranger.write_text("mine", encoding="utf-8")
    before = files(out)
    with pytest.raises(OutputError, match="did not write"):
        simple(out, "new")
    with pytest.raises(OutputError, match="did not write"):
        folder.check_output(out)
    assert files(out) == before
    assert os.path.lexists(stranger)


def test_a_file_of_ours_that_was_changed_is_a_strangers(tmp_path: Path) -> None:
    out = tmp_path / "out"
    simple(out, "old")
    (out / "history.json").write_text("corrected by hand", encoding="utf-8")
    with pytest.raises(OutputError, match="changed since"):
        simple(out, "new")
    assert (out / "history.json").read_text(encoding="utf-8") == "corrected by hand"


def test_what_comes_while_we_write_stays(way: str, tmp_path: Path) -> None:
    """A file put there, and one of ours edited, between the first look and the exchange."""
    out = tmp_path / "out"
    simple(out, "old")
    with folder.whole_folder(out) as fresh:
        folder.write_text(fresh / "history.json", "new")
        (out / "notes.txt").write_text("mine", encoding="utf-8")
        (out / "history.json").write_text("edited", encoding="utf-8")
    held = files(out)
    assert held["history.json"] == b"new"
    assert held["notes.txt"] == b"mine"
    assert held["history (kept 1).json"] == b"edited"
    assert not [name for name in os.listdir(out) if name.startswith(".mineralize-")]
    assert os.listdir(tmp_path) == ["out"]


def test_what_file_managers_leave_is_in_nobodys_way(tmp_path: Path) -> None:
    out = tmp_path / "out"
    simple(out, "old")
    (out / ".DS_Store").write_bytes(b"x")
    simple(out, "new")
    assert (out / ".DS_Store").read_bytes() == b"x"
    assert (out / "history.json").read_text(encoding="utf-8") == "new"


def test_a_link_as_output_stays_a_link(tmp_path: Path) -> None:
    (tmp_path / "real").mkdir()
    out = tmp_path / "out"
    out.symlink_to("real")
    simple(out, "new")
    assert out.is_symlink()
    assert (tmp_path / "real" / "history.json").exists()
    assert sorted(os.listdir(tmp_path)) == ["out", "real"]


class _Killed(BaseException):
    """Stands for SIGKILL: nothing of ours may run any more."""


def killed_at(monkeypatch: pytest.MonkeyPatch, module: Any, name: str, act: Callable[[], None]) -> None:
    """Leave the disk as it would be if the process had died in that call."""

    def die(*given: Any, **named: Any) -> Any:
        raise _Killed

    with monkeypatch.context() as patch:
        patch.setattr(module, name, die)
        patch.setattr("shutil.rmtree", lambda *_, **__: None)
        with pytest.raises(_Killed):
            act()


@pytest.mark.parametrize("moment", ["all_to_disk", "_take_place", "to_disk"])
def test_the_next_run_clears_what_a_dead_one_left(
    way: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, moment: str
) -> None:
    out = tmp_path / "out"
    simple(out, "old")
    killed_at(monkeypatch, folder, moment, lambda: simple(out, "new"))
    expected = "new" if moment == "to_disk" else "old"
    assert (out / "history.json").read_text(encoding="utf-8") == expected
    assert (out / "figures" / "a.svg").read_text(encoding="utf-8") == expected
    folder.check_output(out)
    assert (out / "history.json").read_text(encoding="utf-8") == expected
    assert os.listdir(tmp_path) == ["out"]
    assert not [name for name in os.listdir(out) if name.startswith(".mineralize-")]
    simple(out, "newest")


def test_dead_between_two_renames_the_old_results_come_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    out = tmp_path / "out"
    simple(out, "old")
    monkeypatch.setattr(folder, "exchange", lambda *_: False)
    out.rename(tmp_path / f"{leftovers.OLD}{folder._key(out)}-0badcafe")
    folder.check_output(out)
    assert (out / "history.json").read_text(encoding="utf-8") == "old"
    assert os.listdir(tmp_path) == ["out"]


def test_the_folder_of_a_living_run_is_left_alone(tmp_path: Path) -> None:
    out = tmp_path / "out"
    with folder.whole_folder(out) as fresh:
        folder.write_text(fresh / "history.json", "first")
        simple(out, "second")
        assert fresh.exists()
    assert (out / "history.json").read_text(encoding="utf-8") == "first"
    assert os.listdir(tmp_path) == ["out"]


def test_hidden_folders_of_others_are_left_alone(tmp_path: Path) -> None:
    out, other = tmp_path / "out", tmp_path / "other"
    theirs = tmp_path / f"{leftovers.NEW}{folder._key(other)}-00000000"
    theirs.mkdir()
    (theirs / leftovers.UNFINISHED).touch()
    simple(out, "x")
    assert theirs.exists()
    simple(other, "x")
    assert not theirs.exists()


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EIO])
def test_a_disk_that_fails_only_when_synced(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int) -> None:
    out = tmp_path / "out"
    simple(out, "old")
    before = files(out)

    def fail(handle: int) -> None:
        raise OSError(number, os.strerror(number))

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", fail)
        with pytest.raises(OutputError, match=os.strerror(number).lower()):
            simple(out, "new")
    assert files(out) == before
    assert os.listdir(tmp_path) == ["out"]


def test_abandoning_removes_what_is_half_written(tmp_path: Path) -> None:
    def cut_short() -> None:
        with folder.whole_folder(tmp_path / "out") as fresh:
            folder.write_text(fresh / "history.json", "half")
            folder.abandon()
            folder._taking_place.release()  # the process would have ended here
            assert os.listdir(tmp_path) == []

    with pytest.raises(OutputError):
        cut_short()


# -- the impression


def test_an_impression_lists_and_loses_no_strangers_file(study: Study, tmp_path: Path) -> None:
    """A stranger's file was listed as ours when an impression was recorded, and deleted by the next run."""
    out, form = tmp_path / "out", tmp_path / "form.toml"
    form.write_text(FORM, encoding="utf-8")
    one.write_study(study, out, sealed=True)
    (out / "notes.txt").write_text("mine", encoding="utf-8")
    seal.record(out, form)
    assert (out / "notes.txt").read_text(encoding="utf-8") == "mine"
    assert "notes.txt" not in marker.kept(out).files
    assert {"summary.pdf", "figures/course.png"} <= marker.kept(out).files.keys()
    assert os.listdir(out / "impressions") == ["impression-001.json"]
    with pytest.raises(OutputError, match="did not write"):
        one.write_study(study, out)
    (out / "notes.txt").unlink()
    one.write_study(study, out)
    assert os.listdir(out / "impressions") == ["impression-001.json"]
    assert sorted(os.listdir(tmp_path)) == ["form.toml", "out"]


def test_an_impression_recorded_while_we_write_is_on_the_page(
    study: Study, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out, form = tmp_path / "out", tmp_path / "form.toml"
    form.write_text(FORM, encoding="utf-8")
    one.write_study(study, out)

    def slow(*_: Any) -> bytes:
        seal.record(out, form)
        return b"%PDF-1.4"

    monkeypatch.setattr(one, "render_pdf", slow)
    one.write_study(study, out, sealed=True)
    assert (out / "impressions" / "impression-001.json").exists()
    assert "P1" in (out / "summary.html").read_text(encoding="utf-8")
    assert not (out / "sealed.zip").exists()
    assert not marker.strangers(out)


# -- whose results, and the secret


def of_patient(study: Study, *, patient: str, uids: list[str]) -> Study:
    scans = []
    for scan, uid in zip(study.timeline.scans, uids, strict=False):
        ids = SimpleNamespace(study=uid, patient=SimpleNamespace(identity=patient, name="", birth=""))
        image = SimpleNamespace(ids=ids, where=SimpleNamespace(path=os.devnull, encapsulated=True))
        scans.append(replace(scan, source=SimpleNamespace(stack=SimpleNamespace(images=(image,)))))
    return replace(study, timeline=replace(study.timeline, scans=tuple(scans)))


def test_a_folder_takes_one_case(study: Study, tmp_path: Path) -> None:
    """Scans may come and go; another patient's impression never stands on this one's page."""
    first = of_patient(study, patient="0000017", uids=["1.2.1", "1.2.2"]).timeline
    more = of_patient(study, patient="0000017", uids=["1.2.2", "1.2.3"]).timeline
    other = of_patient(study, patient="0000018", uids=["1.2.4", "1.2.5"]).timeline
    same_uid = of_patient(study, patient="0000018", uids=["1.2.1", "1.2.2"]).timeline
    out = tmp_path / "out"
    simple(out, "x", bound=bound.tags(first))
    bound.check_bound(out, first)
    bound.check_bound(out, more)
    for another in (other, same_uid):
        with pytest.raises(OutputError, match="another case"):
            bound.check_bound(out, another)
    held = (out / ".mineralize").read_text(encoding="utf-8")
    assert "0000017" not in held
    assert "1.2.1" not in held


def test_the_hash_of_the_patient_needs_the_scan(study: Study) -> None:
    """Its key is a study UID: who has the folder alone cannot try patient numbers against it."""
    one_uid, other_uid = (of_patient(study, patient="17", uids=[uid]).timeline for uid in ("1.2.1", "1.2.2"))
    assert not set(bound.tags(one_uid)) & set(bound.tags(other_uid))


def test_the_secret_stays_and_is_the_same_for_the_same_scans(study: Study, tmp_path: Path) -> None:
    for name in ("a", "b"):
        one.write_study(study, tmp_path / name, Options())
    first = marker.kept(tmp_path / "a").secret
    assert len(first) == marker.SECRET_BYTES
    assert first == marker.kept(tmp_path / "b").secret
    assert marker.secret_of(tmp_path / "a", lambda: b"other") == first
    assert marker.secret_of(tmp_path / "none", lambda: b"given") == b"given"
    assert len({marker.secret_of(tmp_path / "none") for _ in range(5)}) == 5
    simple(tmp_path / "c", "x", secret=b"s" * 32)
    simple(tmp_path / "c", "y")
    assert marker.kept(tmp_path / "c").secret == b"s" * 32


@pytest.mark.parametrize("text", ["", "history.json\n", "[]", '{"files": []}', "{" * 100_000, "\ud800"])
def test_a_damaged_marker_makes_all_files_strangers(tmp_path: Path, text: str) -> None:
    out = tmp_path / "out"
    simple(out, "old")
    (out / ".mineralize").write_text(text, encoding="utf-8", errors="surrogatepass")
    with pytest.raises(OutputError, match="did not write"):
        simple(out, "new")
    assert (out / "history.json").read_text(encoding="utf-8") == "old"


def test_the_marker_is_json_with_a_hash_per_file(tmp_path: Path) -> None:
    """SHA-256 of ``new`` as sha256sum prints it."""
    simple(tmp_path / "out", "new")
    held = json.loads((tmp_path / "out" / ".mineralize").read_text(encoding="utf-8"))
    assert held["files"] == dict.fromkeys(
        ("figures/a.svg", "history.json"), "11507a0e2f5e69d5dfa40a62a1bd7b6ee57e6bcd85c67c9b8431b36fff21c437"
    )
