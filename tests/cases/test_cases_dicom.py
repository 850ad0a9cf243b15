"""The DICOM objects are the same bytes whether this process writes them or one of its own, and always there."""

from __future__ import annotations

import os
import signal
import sys
from pathlib import Path

import pytest
import study_factory

from mineralize.base import AideError
from mineralize.cases import aided, one_aide
from mineralize.cases import dicom as cases_dicom
from mineralize.dicom_out import seg
from mineralize.results import Options
from mineralize.study import Study


@pytest.fixture(scope="module")
def study() -> Study:
    return study_factory.study()


def written(study: Study, folder: Path, jobs: int) -> dict[str, bytes]:
    with aided(jobs) as aide, cases_dicom.writing(study, folder, Options(), aide):
        pass
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


def not_here(monkeypatch: pytest.MonkeyPatch) -> None:
    """What the other process left is what is found: this one must not write."""
    monkeypatch.setattr(cases_dicom, "_light", lambda study: True)
    monkeypatch.setattr(seg, "write", lambda *given: pytest.fail("not left to the other process"))


@pytest.fixture(scope="module")
def here(study: Study, tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    return written(study, tmp_path_factory.mktemp("here") / "dicom", jobs=1)


def test_a_child_writes_the_same_bytes(
    study: Study, here: dict[str, bytes], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    not_here(monkeypatch)
    assert "measurements-sr.dcm" in here
    assert written(study, tmp_path / "dicom", jobs=2) == here


@pytest.mark.parametrize("program", ["/bin/false", "/nothing/there"])
def test_where_the_child_fails_the_objects_are_written_here(
    study: Study, here: dict[str, bytes], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, program: str
) -> None:
    monkeypatch.setattr(cases_dicom, "_light", lambda study: True)
    monkeypatch.setattr(sys, "executable", program)
    assert written(study, tmp_path / "dicom", jobs=2) == here


def test_scans_in_memory_are_not_sent_to_a_child(study: Study) -> None:
    assert not cases_dicom._light(study)


def test_an_error_meanwhile_ends_the_child(
    study: Study, here: dict[str, bytes], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And the next case is written by another one."""
    not_here(monkeypatch)
    with aided(2) as aide:
        assert aide is not None

        def broken() -> None:
            with cases_dicom.writing(study, tmp_path / "dicom", Options(), aide):
                raise RuntimeError("no room")

        first = aide.ask(os.getpid).result()
        with pytest.raises(RuntimeError, match="no room"):
            broken()
        assert gone(first)
        with cases_dicom.writing(study, tmp_path / "again", Options(), aide):
            pass
        second = aide.ask(os.getpid).result()
    assert {path.name: path.read_bytes() for path in sorted((tmp_path / "again").iterdir())} == here
    assert second != first
    assert gone(second)


def test_cases_in_a_row_share_one_child(study: Study, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    not_here(monkeypatch)
    seen = set()
    with one_aide():
        for name in ("a", "b"):
            with aided(2) as aide:
                assert aide is not None
                assert aide.started == (name == "b")
                with cases_dicom.writing(study, tmp_path / name, Options(), aide):
                    pass
                seen.add(aide.ask(os.getpid).result())
    assert len(seen) == 1
    assert gone(*seen)


def test_a_case_alone_on_one_core_has_none() -> None:
    with one_aide(), aided(1) as aide:
        assert aide is None


@pytest.mark.skipif(os.name != "posix", reason="signals")
def test_a_killed_child_is_an_error_and_the_next_call_starts_another() -> None:
    with aided(2) as aide:
        assert aide is not None
        first = aide.ask(os.getpid).result()
        with pytest.raises(AideError):
            aide.ask(os.kill, first, signal.SIGKILL).result(timeout=60)
        assert aide.ask(os.getpid).result(timeout=60) != first


def test_what_fails_in_the_child_is_an_error_without_words() -> None:
    """What a library says may quote what is private; who asked does it again, and tells."""
    with aided(2) as aide:
        assert aide is not None
        with pytest.raises(AideError, match=r"^$"):
            aide.ask(int, "DOE^JANE").result(timeout=60)
        with pytest.raises(AideError, match=r"^$"):
            aide.ask(lambda: 1).result(timeout=60)  # nothing to pickle
        assert aide.ask(int, "3").result(timeout=60) == 3


def gone(process: int) -> bool:
    """Whether a child of ours is no more; one that was killed has been waited for."""
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return True
    return False
