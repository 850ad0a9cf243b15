"""Nothing that lies in the current folder is run or gets in the way: a case folder comes from others."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from dicom_factory import Series, save, voxels

from mineralize import timeline
from mineralize.base import isolated_python
from mineralize.dicom import workers

NAMES = ("copy", "pickle", "struct", "logging", "numpy", "pydicom", "mineralize", "sitecustomize", "usercustomize")


def trap(folder: Path) -> Path:
    """Modules of well-known names that leave a trace when they are run."""
    folder.mkdir(exist_ok=True)
    trace = folder.parent / "it-ran"
    code = f"open({str(trace)!r}, 'a').write(__name__ + ' ')\nraise SystemExit('ran')\n"
    for name in NAMES:
        (folder / f"{name}.py").write_text(code)
    (folder / "mineralize").mkdir()
    (folder / "mineralize" / "__init__.py").write_text(code)
    return trace


@pytest.mark.parametrize("way", ["current folder", "PYTHONPATH"])
def test_children_run_nothing_of_the_current_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, way: str) -> None:
    case = tmp_path / "case"
    trace = trap(case)
    series = Series(hu=voxels((4, 32, 40)))
    for k, ds in enumerate(series.datasets()):
        ds.compress("1.2.840.10008.1.2.5", generate_instance_uid=False)
        save(ds, case / f"{k}")
    if way == "current folder":
        monkeypatch.chdir(case)
        monkeypatch.setattr(sys, "path", ["", str(case), *sys.path])
    else:
        monkeypatch.setenv("PYTHONPATH", str(case))
    monkeypatch.setattr(workers, "worth_it", lambda *_: True)
    np.testing.assert_array_equal(timeline.read(case).scans[0].volume.hu, series.hu)
    assert not trace.exists()


@pytest.mark.parametrize("module", ["mineralize.dicom.workers", "mineralize.cases.help"])
def test_the_trap_works_and_the_command_avoids_it(tmp_path: Path, module: str) -> None:
    case = tmp_path / "case"
    trace = trap(case)
    # The negative of the check: a plain child does run what lies there.
    subprocess.run([sys.executable, "-c", "import copy"], cwd=case, capture_output=True, check=False)
    assert trace.exists()
    trace.unlink()
    done = subprocess.run(
        isolated_python(module),
        cwd=case,
        env=os.environ | {"PYTHONPATH": str(case)},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
    )
    # It got as far as its job, which is empty here; the second of them then ends without a word.
    assert (
        "EOFError" in done.stderr if module == "mineralize.dicom.workers" else (done.returncode, done.stderr) == (1, "")
    )
    assert not trace.exists()


def test_the_installed_command_runs_nothing_of_the_current_folder(tmp_path: Path) -> None:
    """What the entry point does: the folder of the script, not the current one, comes first."""
    case = tmp_path / "case"
    trace = trap(case)
    Series().write(case)
    root = str(Path(__file__).parents[2])
    code = (
        f"import sys; sys.path.insert(0, {root!r}); from mineralize.cli import main; sys.exit(main(['inspect', '.']))"
    )
    done = subprocess.run([sys.executable, "-P", "-c", code], cwd=case, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "scan" in done.stdout
    assert not trace.exists()
