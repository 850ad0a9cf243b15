"""The DICOM objects are the same bytes whether this process writes them or one of its own, and always there."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import pytest
import study_factory

from mineralize.cases import dicom as cases_dicom
from mineralize.results import Options
from mineralize.study import Study


@pytest.fixture(scope="module")
def study() -> Study:
    return study_factory.study()


def written(study: Study, folder: Path, jobs: int) -> dict[str, bytes]:
    with cases_dicom.writing(study, folder, Options(), jobs):
        pass
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


@pytest.fixture(scope="module")
def here(study: Study, tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    return written(study, tmp_path_factory.mktemp("here") / "dicom", jobs=1)


def test_a_child_writes_the_same_bytes(
    study: Study, here: dict[str, bytes], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cases_dicom, "_light", lambda study: True)
    # what the child left is what is found: this process must not write
    monkeypatch.setattr(cases_dicom, "write", lambda *given: pytest.fail("not left to the child"))
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


def test_an_error_meanwhile_ends_the_child(study: Study, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cases_dicom, "_light", lambda study: True)
    started: list[Any] = []
    start = cases_dicom._start

    def noted(*given: Any) -> Any:
        started.append(start(*given))
        return started[-1]

    monkeypatch.setattr(cases_dicom, "_start", noted)

    def broken() -> None:
        with cases_dicom.writing(study, tmp_path / "dicom", Options(), 2):
            raise RuntimeError("no room")

    with pytest.raises(RuntimeError, match="no room"):
        broken()
    assert started[0].poll() is not None
