"""What must start fast loads nothing that takes long: told by modules, which do not depend on the load of a machine."""

from __future__ import annotations

import subprocess
import sys

import pytest

HEAVY = ("numpy", "scipy", "SimpleITK", "skimage", "matplotlib", "pydicom", "highdicom", "numba", "dask")


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
    seldom = ("scipy.stats", "scipy.signal", "skimage.segmentation", "matplotlib", "numba")
    found = loaded("import mineralize.cases.dicom", (*seldom, "highdicom"))
    assert found == {"highdicom"}
