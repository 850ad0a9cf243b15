"""What ``scripts/wheel`` holds the numbers of two interpreters against each other with."""

from __future__ import annotations

from pathlib import Path

import pytest
from same_numbers import compare

HEAD = "case,scan,quantity,value,low,high,trust,codes\n"


def written(folder: Path, rows: str) -> Path:
    folder.mkdir()
    (folder / "measurements.csv").write_text(HEAD + rows)
    return folder


@pytest.mark.parametrize(
    ("rows", "code"),
    [
        ("K,1,volume,10,9,11,ok,\n", 0),
        ("K,1,volume,10.05,9.05,11,ok,\n", 0),
        ("K,1,volume,10.2,9,11,ok,\n", 1),
        ("K,1,volume,10,9,11.2,ok,\n", 1),
        ("K,1,volume,10,9,11,caution,\n", 1),
        ("K,1,volume,,,,ok,\n", 1),
        ("", 1),
    ],
)
def test_a_number_or_a_verdict_of_another_run(tmp_path: Path, rows: str, code: int) -> None:
    first = tmp_path / "first"
    assert compare(written(tmp_path / "out", "K,1,volume,10,9,11,ok,\n"), first)[0] == 0
    assert compare(written(tmp_path / "other", rows), first)[0] == code
