"""A few moments of every kind of trouble that ``scripts/torture`` has; the script itself runs hundreds."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path

import pytest
from own_place import own_place

ROOT = Path(__file__).parents[2]
PARTS = (
    "summarise over",
    "impression",
    "writers",
    "full drive: summarise",
    "short files",
    "vanishing input: summarise",
)


@pytest.mark.slow
def test_old_or_new_and_whole_whatever_happens() -> None:
    command = [sys.executable, str(ROOT / "scripts" / "torture"), "--random", "2", "--no-chosen", "--parts", *PARTS]
    run = subprocess.run(command, capture_output=True, text=True)
    assert run.returncode == 0, run.stdout[-3000:] + run.stderr[-3000:]
    for part in PARTS:
        assert part in run.stdout
    assert run.stdout.splitlines()[-1] == "nothing lost, nothing left over"


DYING = """
import sys, time
sys.path[:0] = [{tests!r}, {root!r}]
from own_place import own_place
from torture_trouble import FullDisk
with own_place() as held, FullDisk("", None, None, drive=True)._drive(held) as drive:
    print(held.parent, int(drive is not None), flush=True)
    time.sleep(60)
"""


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT, signal.SIGKILL])
def test_what_tortures_leaves_nothing_itself(number: int) -> None:
    """No drive stays mounted whatever ends it; its folder goes too, after SIGKILL at the next start."""
    text = DYING.format(tests=str(ROOT / "tests"), root=str(ROOT))
    with subprocess.Popen([sys.executable, "-c", text], stdout=subprocess.PIPE, stderr=subprocess.PIPE) as run:
        assert run.stdout is not None
        name, mounted = run.stdout.readline().decode().split()
        place = Path(name)
        assert place.is_dir()
        with own_place() as other:
            assert place.is_dir(), "a folder that is in use was taken for a dead one's"
        run.send_signal(number)
    assert name not in Path("/proc/self/mounts").read_text()
    assert place.exists() == (number == signal.SIGKILL)
    with own_place() as other:
        assert not place.exists()
        assert other.is_dir()
    assert not other.exists()
    if not int(mounted):
        pytest.skip("no small drive can be made here; the folder alone was looked at")
