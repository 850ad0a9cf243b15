"""Signals end a run in one sentence with an exit code, and standard streams may be closed, full or ASCII only.

Exit code 128 + n for signal n: what a POSIX shell reports of a command that a signal ended (XCU 2.8.2 asks for more
than 128; 128 + n is common practice).
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]

STAND_IN = """
import signal, sys, time
signal.signal(signal.SIGINT, signal.default_int_handler)  # who runs the tests may have it ignored
for number in (signal.SIGTERM, signal.SIGHUP):
    signal.signal(number, signal.SIG_DFL)
from mineralize.cases import folder, one
from mineralize.cli import commands, ending

def run(request, out, on_step=None):
    with folder.whole_folder(out) as fresh:
        folder.write_text(fresh / "history.json", "new")
        print("working", flush=True)
        {work}

one.run = commands.cases.run = run
ending.PATIENCE_SECONDS = 0.3
sys.exit(commands.main(["summarise", "case", "--out", sys.argv[1]]))
"""
SLEEPS = "time.sleep(60)"
DEAF = """
        while True:
            try:
                time.sleep(60)
            except BaseException:
                pass
"""


def environment(**more: str) -> dict[str, str]:
    held = {name: value for name, value in os.environ.items() if name not in ("PYTHONIOENCODING", "PYTHONUTF8")}
    return held | {"PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"} | more


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
@pytest.mark.parametrize("work", [SLEEPS, DEAF], ids=["sleeping", "deaf"])
def test_a_signal_ends_it_in_one_sentence(tmp_path: Path, number: signal.Signals, work: str) -> None:
    """Also where the main thread will not listen, as in a library."""
    out = tmp_path / "out"
    with subprocess.Popen(
        [sys.executable, "-c", STAND_IN.format(work=work), str(out)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment(),
    ) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == "working\n"
        child.send_signal(number)
        said, error = child.communicate(timeout=30)
    assert child.returncode == 128 + number
    assert said == ""
    assert error.startswith("mineralize: stopped; ")
    assert error.count("\n") == 1
    assert os.listdir(tmp_path) == []


def test_a_child_ends_with_its_parent() -> None:
    """The parent is killed outright; the child, busy in a loop, is gone within a second."""
    busy = "from mineralize.base import serve\ndef forever():\n    while True: pass\nserve(print, forever)"
    parent = (
        f"import subprocess, sys, time; c = subprocess.Popen([sys.executable, '-c', {busy!r}], stdin=subprocess.PIPE);"
        "print(c.pid, flush=True); time.sleep(60)"
    )
    with subprocess.Popen([sys.executable, "-c", parent], stdout=subprocess.PIPE, text=True, env=environment()) as held:
        assert held.stdout is not None
        child = int(held.stdout.readline())
        time.sleep(2.0)  # let it come as far as its loop
        held.kill()
        held.wait()
    end = time.monotonic() + 5.0
    while alive(child) and time.monotonic() < end:
        time.sleep(0.05)
    assert not alive(child)


def alive(process: int) -> bool:
    """Whether it runs; one that nobody has waited for yet does not."""
    try:
        return Path(f"/proc/{process}/stat").read_text(encoding="ascii").rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def shell(words: str, **more: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["/bin/sh", "-c", f'exec "{sys.executable}" -m mineralize {words}'],
        capture_output=True,
        text=True,
        env=environment(**more),
        timeout=120,
        check=False,
    )


@pytest.fixture(scope="module")
def table(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("table") / "measurements.csv"
    head = "case,scan,day,quantity,value,low,high,unit,trust,reason"
    path.write_text(f"{head}\r\nKüste-1,1,0,mineral_mass,5,4,6,mg,ok,\r\n", encoding="utf-8", newline="")
    return path


@pytest.mark.parametrize("words", ["completion bash", "curve {table} --points"])
def test_output_that_cannot_be_written_is_one_sentence(words: str, table: Path) -> None:
    words = words.format(table=table)
    for where, cause in ((">&-", "bad file descriptor"), (">/dev/full", "no space left on device")):
        done = shell(f"{words} {where}")
        assert done.returncode == 4, done.stderr
        assert cause in done.stderr
        assert done.stderr.count("\n") == 1
    assert shell(f"{words} 2>&-").returncode == 0
    assert shell(f"{words} 2>/dev/full").returncode == 0
    assert shell(f"{words} <&- >/dev/null 2>&-").returncode == 0


def test_faults_with_closed_streams_keep_their_exit_code(tmp_path: Path) -> None:
    for where in ("2>&-", "2>/dev/full", ">&- 2>&-", "<&- >&- 2>&-"):
        assert shell(f"inspect {tmp_path / 'none'} {where}").returncode == 4


def test_ascii_streams_hold_every_letter(table: Path) -> None:
    done = shell(f"curve {table} --points", PYTHONIOENCODING="ascii", PYTHONUTF8="0")
    assert done.returncode == 0, done.stderr
    assert "K\\xfcste-1,1,0,5" in done.stdout
