"""Typed files are read within limits: one sentence for whatever else is put there, and no waiting."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from mineralize.base import InputError, read_json, read_toml
from mineralize.base.documents import DEEPEST, LARGEST_BYTES


def written(folder: Path, data: bytes) -> Path:
    path = folder / "typed"
    path.write_bytes(data)
    return path


def test_a_byte_order_mark_is_passed_over(tmp_path: Path) -> None:
    """Editors of some systems put one before UTF-8 text; TOML 1.0 knows none."""
    assert read_toml(written(tmp_path, b"\xef\xbb\xbfa = 1"), "the form") == {"a": 1}
    assert read_json(written(tmp_path, b'\xef\xbb\xbf{"a": 1}'), "the form") == {"a": 1}
    assert read_json(written(tmp_path, b"3"), "the form") == 3


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"a = ", r"not valid TOML \(at "),
        (b"a = " + b"[" * 100_000, "nested too deep"),
        (b"a" + b".a" * 10_000 + b" = 1", "nested too deep"),
        (b"a = " + b"[" * (DEEPEST + 1) + b"]" * (DEEPEST + 1), "nested too deep"),
        (b"a = " + b"9" * 5000, "not valid TOML|cannot be"),
        (b"a = 2024-02-31", "not valid TOML|cannot be"),
        (b"a = 2016-12-31T23:59:60Z", "not valid TOML|cannot be"),
        (b"\xff", "not UTF-8"),
        (b"#" * (LARGEST_BYTES + 1), "larger than 1 MiB"),
    ],
    ids=lambda v: str(v)[:24],
)
def test_toml_that_cannot_be_used(tmp_path: Path, data: bytes, words: str) -> None:
    with pytest.raises(InputError, match=f"the form.*({words})") as caught:
        read_toml(written(tmp_path, data), "the form")
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("data", [b"{", b"[" * 100_000, b'{"a":' * 50 + b"1" + b"}" * 50, b"9" * 5000])
def test_json_that_cannot_be_used(tmp_path: Path, data: bytes) -> None:
    with pytest.raises(InputError, match=r"the form (is not valid JSON|is nested too deep)"):
        read_json(written(tmp_path, data), "the form")


def test_what_is_no_plain_file_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    for path in (tmp_path / "pipe", tmp_path, Path("/dev/zero")):
        with pytest.raises(InputError, match=r"no plain file|could not be read"):
            read_toml(path, "the form")
    with pytest.raises(InputError, match="could not be read"):
        read_toml(tmp_path / "nothing", "the form")
