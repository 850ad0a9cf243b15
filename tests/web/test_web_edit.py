"""case.toml edited by the page: what a person wrote stays, two writers never lose each other's edits."""

from __future__ import annotations

import signal
import subprocess
import sys
import threading
import time
import tomllib
from pathlib import Path

import pytest

from mineralize.base import CaseFileError, InputError
from mineralize.web import case_edit
from mineralize.web.case_edit import Conflict

BY_HAND = """# written by a person
alias = "K-017"   # not the name

[lesion]
scan = 2          # the clearest one
seed = [38.0, -0.3, 18.8]

[settings.mineral]
threshold_hu120 = 130
"""
TODAY = "2026-11-28"


def fine(data: bytes) -> None:
    tomllib.loads(data.decode())


def files(tmp_path: Path, text: str | None = BY_HAND) -> tuple[Path, Path]:
    path = tmp_path / "case.toml"
    if text is not None:
        path.write_text(text)
    return path, tmp_path / "kept" / "journal.json"


def test_an_act_keeps_comments_order_and_what_it_does_not_know(tmp_path: Path) -> None:
    path, journal = files(tmp_path)
    held = case_edit.read(path, journal)
    margin = {"do": "margin", "scan": 2, "at": [38.123, -0.3, 18.8], "today": TODAY, "carry": True}
    case_edit.apply(path, journal, held.version, margin, fine)
    text = path.read_text()
    for line in BY_HAND.strip().splitlines():
        assert line in text
    table = tomllib.loads(text)
    assert [str(m["day"]) for m in table["margin"]] == [TODAY]
    assert table["margin"][0] | {"day": ""} == {"scan": 2, "at": [38.12, -0.3, 18.8], "day": "", "carry": True}


def test_every_act_writes_the_agreed_tables(tmp_path: Path) -> None:
    path, journal = files(tmp_path, None)
    version = case_edit.read(path, journal).version
    ring = [[0, 0, 1], [1, 0, 1], [0, 1, 1]]
    for act in (
        {"do": "point", "scan": 1, "at": [1, 2, 3]},
        {"do": "contour", "scan": 1, "points": ring, "today": TODAY},
        {"do": "mineral", "scan": 1, "at": [1, 2, 3], "act": "take", "today": TODAY},
        {"do": "biopsy", "scan": 1, "entry": [9, 9, 9], "target": [1, 2, 3], "day": 29},
        {"do": "biopsy", "scan": 1, "target": [1, 2, 3]},
        {"do": "event", "day": 29, "kind": "biopsy", "text": "core"},
        {"do": "alias", "alias": "K-9"},
    ):
        version = case_edit.apply(path, journal, version, act, fine).version
    table = tomllib.loads(path.read_text())
    assert table["lesion"] == {"scan": 1, "seed": [1.0, 2.0, 3.0]}
    assert table["contour"][0]["points"] == ring
    assert table["mineral"][0]["act"] == "take"
    assert table["biopsy"] == [
        {"scan": 1, "entry": [9.0, 9.0, 9.0], "target": [1.0, 2.0, 3.0], "day": 29},
        {"scan": 1, "point": [1.0, 2.0, 3.0]},
    ]
    assert table["event"][0] == {"day": 29, "kind": "biopsy", "text": "core"}
    held = case_edit.apply(path, journal, version, {"do": "remove", "what": "biopsy", "number": 1}, fine)
    assert len(held.table["biopsy"]) == 1


def test_undo_and_redo_go_back_to_the_very_bytes(tmp_path: Path) -> None:
    path, journal = files(tmp_path)
    texts = [path.read_bytes()]
    version = case_edit.read(path, journal).version
    for x in range(3):
        act = {"do": "margin", "scan": 1, "at": [x, 0, 0], "today": TODAY}
        version = case_edit.apply(path, journal, version, act, fine).version
        texts.append(path.read_bytes())
    for expected in texts[2::-1]:
        held = case_edit.step(path, journal, version, back=True)
        version = held.version
        assert path.read_bytes() == expected
    assert (held.undo, held.redo) == (0, 3)
    for expected in texts[1:]:
        version = case_edit.step(path, journal, version, back=False).version
        assert path.read_bytes() == expected
    with pytest.raises(InputError, match="nothing to do again"):
        case_edit.step(path, journal, version, back=False)


def test_undo_of_the_first_act_removes_a_file_that_was_not_there(tmp_path: Path) -> None:
    path, journal = files(tmp_path, None)
    held = case_edit.apply(path, journal, case_edit.NONE, {"do": "alias", "alias": "K-1"}, fine)
    case_edit.step(path, journal, held.version, back=True)
    assert not path.exists()


def test_an_edit_by_hand_meanwhile_is_not_lost_and_not_undone(tmp_path: Path) -> None:
    path, journal = files(tmp_path)
    first = case_edit.read(path, journal)
    act = {"do": "margin", "scan": 1, "at": [0, 0, 0], "today": TODAY}
    held = case_edit.apply(path, journal, first.version, act, fine)
    path.write_text(path.read_text() + "\n# and one more thought\n")
    with pytest.raises(Conflict, match="changed elsewhere"):
        case_edit.apply(path, journal, held.version, act, fine)
    now = case_edit.read(path, journal)
    assert now.undo == 0
    with pytest.raises(InputError, match="nothing to undo"):
        case_edit.step(path, journal, now.version, back=True)
    case_edit.apply(path, journal, now.version, act, fine)
    assert "one more thought" in path.read_text()


def test_two_writers_at_once_both_end_up_in_the_file_or_one_is_told(tmp_path: Path) -> None:
    path, journal = files(tmp_path)
    told: list[str] = []

    def writer(name: int) -> None:
        for count in range(12):
            while True:
                version = case_edit.read(path, journal).version
                act = {"do": "margin", "scan": 1, "at": [name, count, 0], "today": TODAY}
                try:
                    case_edit.apply(path, journal, version, act, fine)
                    break
                except Conflict:
                    told.append("conflict")

    threads = [threading.Thread(target=writer, args=(n,)) for n in (1, 2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    found = sorted((m["at"][0], m["at"][1]) for m in tomllib.loads(path.read_text())["margin"])
    assert found == [(n, c) for n in (1.0, 2.0) for c in map(float, range(12))]


def test_what_summarise_would_refuse_is_not_written(tmp_path: Path) -> None:
    path, journal = files(tmp_path)
    before = path.read_bytes()
    version = case_edit.read(path, journal).version

    def refuse(data: bytes) -> None:
        raise CaseFileError("case.toml: no")

    with pytest.raises(CaseFileError):
        case_edit.apply(path, journal, version, {"do": "alias", "alias": "X"}, refuse)
    for act in (
        {"do": "margin", "scan": 0, "at": [0, 0, 0], "today": TODAY},
        {"do": "margin", "scan": 1, "at": [0, 0, float("nan")], "today": TODAY},
        {"do": "margin", "scan": 1, "at": [0, 0, 0], "today": "yesterday"},
        {"do": "contour", "scan": 1, "points": [[0, 0, 0]], "today": TODAY},
        {"do": "mineral", "scan": 1, "at": [0, 0, 0], "act": "paint", "today": TODAY},
        {"do": "remove", "what": "settings", "number": 1},
        {"do": "remove", "what": "margin", "number": 1},
        {"do": "alias", "alias": "a\nb"},
        {"do": "__class__"},
    ):
        with pytest.raises(InputError):
            case_edit.apply(path, journal, version, act, fine)
    assert path.read_bytes() == before


KILLED = """
import sys, tomllib
from pathlib import Path
from mineralize.web import case_edit
path, journal = Path(sys.argv[1]), Path(sys.argv[2])
version = case_edit.read(path, journal).version
print("ready", flush=True)
for x in range(10000):
    act = {"do": "margin", "scan": 1, "at": [x, 0, 0], "today": "2026-11-28"}
    version = case_edit.apply(path, journal, version, act, lambda data: None).version
"""


def test_killed_while_saving_the_file_is_whole_and_the_next_edit_works(tmp_path: Path) -> None:
    path, journal = files(tmp_path)
    for wait in (0.05, 0.11, 0.23):
        process = subprocess.Popen(
            [sys.executable, "-c", KILLED, str(path), str(journal)], stdout=subprocess.PIPE, text=True
        )
        assert process.stdout is not None
        process.stdout.readline()
        time.sleep(wait)
        process.send_signal(signal.SIGKILL)
        process.wait()
        process.stdout.close()
        table = tomllib.loads(path.read_text())
        assert table["alias"] == "K-017"
        held = case_edit.read(path, journal)
        act = {"do": "margin", "scan": 2, "at": [0, 0, 0], "today": TODAY}
        assert len(case_edit.apply(path, journal, held.version, act, fine).table["margin"]) >= 1
