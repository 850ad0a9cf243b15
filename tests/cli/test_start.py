"""What must start fast loads nothing that takes long: told by modules, which do not depend on the load of a machine."""

from __future__ import annotations

import subprocess
import sys

import pytest

HEAVY = ("numpy", "scipy", "SimpleITK", "skimage", "matplotlib", "pydicom", "highdicom", "numba", "dask")

SELDOM = ("scipy.stats", "scipy.signal", "skimage.segmentation", "matplotlib", "numba")


def loaded(code: str, heavy: tuple[str, ...] = HEAVY) -> set[str]:
    """Heavy libraries in a fresh interpreter after some code."""
    tell = f"import sys; print('HEAVY', *[name for name in {heavy!r} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", f"{code}\n{tell}"], check=True, capture_output=True, text=True)
    return set(done.stdout.rpartition("HEAVY")[2].split())


@pytest.mark.parametrize("words", [["--help"], ["--version"], ["summarise", "--help"], ["curve"], ["summarise", "x"]])
def test_help_and_wrong_usage_are_told_without_any_library(words: list[str]) -> None:
    assert loaded(f"from mineralize.cli import main; main({words!r})") == set()


def test_importing_the_package_costs_nothing() -> None:
    assert loaded("import mineralize") == set()


def test_a_child_that_decodes_slices_loads_no_image_or_drawing_library() -> None:
    found = loaded("import mineralize.dicom.workers")
    assert "pydicom" in found  # the test sees what is loaded
    assert not found & {"SimpleITK", "skimage", "matplotlib", "highdicom", "numba"}


def test_the_child_that_writes_dicom_loads_neither_statistics_nor_drawing() -> None:
    found = loaded("import mineralize.cases.dicom; from mineralize.dicom_out import seg, sr", (*SELDOM, "highdicom"))
    assert found == {"highdicom"}


def test_what_reads_a_case_loads_what_draws_and_writes_later() -> None:
    assert loaded("import mineralize.cases.one", (*SELDOM, "highdicom", "fontTools", "SimpleITK")) == {"SimpleITK"}


def test_the_cut_along_a_needle_loads_no_statistics() -> None:
    code = "from mineralize.correlate.needle import draw_section; from skimage.measure import find_contours"
    assert loaded(code, (*SELDOM, "skimage")) == {"skimage"}


def test_the_first_object_finds_the_tables_of_the_library_read() -> None:
    """What the other process does while nothing is asked of it: no long text is read when the first report is made."""
    code = """
import json
read, real = [], json.loads
json.loads = lambda text, *given, **named: (read.append(len(text)), real(text, *given, **named))[1]
from mineralize.dicom_out import seg
seg.load_tables()
before = len(read)
import highdicom as hd
from pydicom.uid import ComprehensiveSRStorage
uids = dict(study_instance_uid="1.2.6", series_instance_uid="1.2.7", sop_instance_uid="1.2.8")
hd.SOPClass(**uids, series_number=1, sop_class_uid=ComprehensiveSRStorage, instance_number=1, modality="SR")
assert len(read) == before, read
"""
    subprocess.run([sys.executable, "-c", code], check=True)
