"""The whole job on a case full of canaries: no output holds a name, a number, a UID, a date or a path of the input."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pydicom
import pytest
from dicom_canaries import CANARY, found_in, plant_text, planting

from mineralize.cli import main
from phantoms import load_history
from phantoms.files import write_case

ROOT = Path(__file__).parents[2]
pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def planted(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, set[str], set[str]]:
    """A phantom with canaries in every file; also its UIDs and its dates as the files write them."""
    folder = tmp_path_factory.mktemp(CANARY)
    case = folder / CANARY / "case"
    write_case(load_history("broad-attachment").resized(matrix=96, slices=36), case, distractors=False, with_seed=True)
    uids: set[str] = set()
    dates: set[str] = set()
    for number, path in enumerate(sorted(p for p in case.rglob("*") if p.is_file() and p.suffix != ".toml")):
        with planting():
            ds = pydicom.dcmread(path)
            uids |= {str(ds.get(k)) for k in ("StudyInstanceUID", "SeriesInstanceUID", "FrameOfReferenceUID")}
            uids.add(str(ds.SOPInstanceUID))
            dates |= {str(ds.get(k)) for k in ("StudyDate", "AcquisitionDate") if ds.get(k)}
            plant_text(ds)
            ds.save_as(path.with_name(f"{CANARY}{number}"))
        path.unlink()
    return case, uids, dates


def _day(study: Path) -> str:
    with planting():
        return str(pydicom.dcmread(next(p for p in study.rglob("*") if p.is_file())).AcquisitionDate)


def summarise(case: Path, out: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "mineralize", "summarise", str(case), "--out", str(out)],
        capture_output=True,
        text=True,
        cwd=ROOT,
        check=False,
    )


def spelled(dates: set[str]) -> set[str]:
    return dates | {f"{d[:4]}-{d[4:6]}-{d[6:]}" for d in dates} | {f"{d[6:]}.{d[4:6]}.{d[:4]}" for d in dates}


def test_no_output_holds_anything_of_the_patient(planted: tuple[Path, set[str], set[str]], tmp_path: Path) -> None:
    case, uids, dates = planted
    done = summarise(case, tmp_path / "out")
    assert done.returncode in (0, 5), done.stderr
    words = {CANARY, "Lea^", "19310405", "1931-04-05", str(case)} | uids | spelled(dates)
    said = found_in((done.stdout + done.stderr).encode(), words)
    assert not said
    files = [p for p in (tmp_path / "out").rglob("*") if p.is_file()]
    assert len(files) > 5
    for path in files:
        assert not found_in(path.read_bytes(), words), path.name
        assert not found_in(path.name.encode(), words)


def test_keeping_dates_keeps_dates_alone(planted: tuple[Path, set[str], set[str]], tmp_path: Path) -> None:
    case, uids, dates = planted
    first = min(case.glob("ST*"), key=lambda study: _day(study))
    shutil.copytree(case, tmp_path / CANARY, ignore=shutil.ignore_patterns(first.name))  # two scans are enough
    text = (tmp_path / CANARY / "case.toml").read_text(encoding="utf-8")
    assert "scan = 3" in text
    (tmp_path / CANARY / "case.toml").write_text(text.replace("scan = 3", "scan = 2"), encoding="utf-8")
    assert main(["summarise", str(tmp_path / CANARY), "--out", str(tmp_path / "out"), "--keep-dates"]) in (0, 5)
    record = (tmp_path / "out" / "history.json").read_bytes()
    assert found_in(record, spelled(dates))
    for path in (p for p in (tmp_path / "out").rglob("*") if p.is_file()):
        assert not found_in(path.read_bytes(), {CANARY, "Lea^", "19310405", "1931-04-05"} | uids), path.name
