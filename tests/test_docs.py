"""The README is true: its commands parse, every option is in it, its names exist, its files are written."""

from __future__ import annotations

import argparse
import ast
import os
import re
import shlex
import tomllib
from pathlib import Path

import pytest

import mineralize
from mineralize.base import Settings
from mineralize.cli import commands as cli
from mineralize.results import tables

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def blocks(kind: str) -> list[str]:
    return re.findall(rf"```{kind}\n(.*?)```", README, re.DOTALL)


def commands() -> dict[str, argparse.ArgumentParser]:
    for action in cli.parser()._actions:
        if isinstance(action, argparse._SubParsersAction):
            return dict(action.choices)
    raise AssertionError("the command line has no commands")


LINES = [line.split("#")[0].strip() for block in blocks("console") for line in block.splitlines() if line.strip()]


@pytest.mark.parametrize("line", LINES)
def test_commands_in_the_readme_exist(line: str) -> None:
    words = shlex.split(line)
    if words[0] == "mineralize":
        cli.parser().parse_args(words[1:])
    elif words[0].startswith("scripts/"):
        assert os.access(ROOT / words[0], os.X_OK)
    elif words[:3] == ["python", "-m", "phantoms"]:
        assert words[3] in ("list", "build")
        if words[3] == "build":
            assert (ROOT / "phantoms" / f"{words[4]}.toml").is_file()
    else:
        assert words[:2] == ["pip", "install"]
        extras = re.fullmatch(r"\.(?:\[([\w,]+)\])?", words[2])
        assert extras
        known = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["optional-dependencies"]
        assert set((extras[1] or "page").split(",")) <= known.keys()


@pytest.mark.parametrize("name", sorted(commands()))
def test_every_command_and_option_is_documented(name: str) -> None:
    assert f"mineralize {name} " in README
    table = {
        next(word for word in row.split("|")[1].replace("`", "").split() if word.startswith("--")): row.split("|")[2]
        for row in README.splitlines()
        if row.startswith(("| `--", "| `-v"))
    }
    for action in commands()[name]._actions:
        for option in action.option_strings:
            if option.startswith("--") and option != "--help":
                assert name in table[option], f"{option} of {name} is not in the README's table of options"
                assert action.help


def test_exit_codes_are_those_of_the_program() -> None:
    assert cli.EXIT_CODES in README


def test_columns_are_those_of_the_tables() -> None:
    for columns in (tables.MEASUREMENT_COLUMNS, tables.CHANGE_COLUMNS):
        assert ",".join(columns) in README


def test_case_toml_example_holds() -> None:
    (text,) = blocks("toml")
    table = tomllib.loads(text)
    assert Settings.from_mapping(table["settings"]).mineral.threshold_hu120 == 130


def test_python_example_uses_names_that_exist() -> None:
    (text,) = blocks("python")
    names = {
        node.attr
        for node in ast.walk(ast.parse(text))
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "mz"
    }
    assert names == {"analyse", "read", "write"}
    assert names <= set(mineralize.__all__)


def test_public_names() -> None:
    """At most a dozen, sorted, each loads, and importing the package loads none of them."""
    assert mineralize.__all__ == sorted(mineralize.__all__)
    assert len(mineralize.__all__) <= 12
    for name in mineralize.__all__:
        assert getattr(mineralize, name) is not None
    assert set(mineralize.__all__) <= set(dir(mineralize))
    with pytest.raises(AttributeError, match="nonsense"):
        mineralize.nonsense  # noqa: B018


def test_help_is_there_for_everything(capsys: pytest.CaptureFixture[str]) -> None:
    for words in (["--help"], *([name, "--help"] for name in commands())):
        assert cli.main(words) == 0
        text = capsys.readouterr().out
        assert max(map(len, text.splitlines())) <= 100
    assert cli.main(["--version"]) == 0
    assert mineralize.__version__ in capsys.readouterr().out


def test_developers_guide_names_files_that_exist() -> None:
    for path in re.findall(r"`((?:tests|scripts|phantoms|mineralize)/[\w./]+)`", DEVELOPERS):
        if "NAME" not in path:
            assert (ROOT / path).exists(), path
    for name in re.findall(r"`(\w+\.(?:py|css|json))`", DEVELOPERS):
        if name != "history.json":
            assert list((ROOT / "mineralize").rglob(name)), name


@pytest.mark.parametrize("name", ["demo", "test", "bench", "lowest"])
def test_scripts_can_be_run(name: str) -> None:
    assert os.access(ROOT / "scripts" / name, os.X_OK)


def test_no_workplace_paths() -> None:
    """Docs and scripts speak of the project only."""
    for path in (ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "scripts").iterdir()):
        if path.is_file():
            assert "/work/" not in path.read_text(encoding="utf-8")
