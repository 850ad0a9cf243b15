"""``-v``, ``--log`` and ``completion``: steps are told, nothing of the patient is, and shells take the script."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import dicom_factory
import pytest

from mineralize.cli import main
from mineralize.cli.commands import parser
from mineralize.cli.completion import SHELLS, script


def test_steps_go_into_the_log_and_no_identifier_does(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    dicom_factory.history(tmp_path / "Zzyx-Quillon")
    log = tmp_path / "run.log"
    log.write_text("what stood there before\n", encoding="utf-8")
    assert main(["inspect", str(tmp_path / "Zzyx-Quillon"), "-v", "--log", str(log)]) == 0
    lines = log.read_text(encoding="utf-8").splitlines()
    assert lines[0] == "what stood there before"
    assert "inspect" in lines[1]
    assert lines[-1].endswith("done")
    assert len(lines) > 3
    said = capsys.readouterr().err
    for secret in ("Zzyx", "Quillon", "Tester", "Q-17", "2024", str(tmp_path)):
        assert secret not in "\n".join(lines[1:])
        assert secret not in said
    assert said.count("inspect") == 1


def test_the_plotting_library_keeps_its_remarks_to_itself(tmp_path: Path) -> None:
    """A broken settings file of the user's, and no folder to write to, are nothing to a reader of scans."""
    (tmp_path / "matplotlibrc").write_text("nonsense.key: 3\nlines.linewidth: abc\n", encoding="utf-8")
    environment = os.environ | {"MATPLOTLIBRC": str(tmp_path), "MPLCONFIGDIR": "/proc/nowhere"}
    command = [
        sys.executable,
        "-c",
        "import mineralize.cli as c, sys; c.main(['completion', 'fish']); import matplotlib",
    ]
    ran = subprocess.run(command, env=environment, capture_output=True, text=True, check=True, timeout=120)
    assert ran.stderr == ""


def test_a_run_that_fails_says_how_it_ended(tmp_path: Path) -> None:
    log = tmp_path / "run.log"
    assert main(["inspect", str(tmp_path / "nothing"), "--log", str(log)]) == 4
    assert "exit code 4" in log.read_text(encoding="utf-8")


def test_a_log_that_cannot_be_written_is_one_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["inspect", str(tmp_path), "--log", str(tmp_path)]) == 4
    assert "name another file with --log" in capsys.readouterr().err


@pytest.mark.parametrize("shell", SHELLS)
def test_every_command_and_option_is_completed(shell: str) -> None:
    made = script(parser(), shell)
    for word in ("summarise", "inspect", "impression", "batch", "curve"):
        assert word in made
    for word in ("dicom-pdf", "keep-identifiers", "quantity", "because"):
        assert word in made


@pytest.mark.skipif(shutil.which("bash") is None, reason="bash is not installed")
def test_bash_completes_by_the_script(tmp_path: Path) -> None:
    """Judge: bash itself."""

    def completed(*words: str) -> set[str]:
        line = " ".join(f"'{w}'" for w in words)
        run = f"COMP_WORDS=({line}); COMP_CWORD={len(words) - 1}; _mineralize; printf '%s\\n' \"${{COMPREPLY[@]}}\""
        text = script(parser(), "bash") + run
        ran = subprocess.run(["bash", "-c", text], capture_output=True, text=True, check=True, cwd=tmp_path, timeout=60)
        return set(ran.stdout.split())

    assert completed("mineralize", "summ") == {"summarise"}
    assert completed("mineralize", "summarise", "--keep") == {"--keep-dates", "--keep-identifiers"}
    (tmp_path / "scans").mkdir()
    assert "scans" in completed("mineralize", "summarise", "sc")
