"""Doors say what goes through them; what they offer on arrays says of which shape they are, and what it raises."""

from __future__ import annotations

import builtins
import inspect
import re
from collections.abc import Callable, Iterator
from importlib import import_module
from typing import Any

import pytest
from test_layers import ORDER, PACKAGE

from mineralize import base

ARRAYS = re.compile(r"\b(Floats|NDArray)\b")
SHAPE = re.compile(r"\((\.\.\.|[A-Z]|\d|count( \+ \d)?|slices|rows|low)(, \w+)*,?\)|\bshape\b")
"""``(N, 3)``, ``(..., 3)``, ``(slices, rows, columns)``, ``(3,)``, ``(count + 1,)``, or the word."""
RAISED = re.compile(r"^\s*raise (?:base\.)?(\w+(?:Error|Needed))\b", re.MULTILINE)
NAMED = re.compile(r"``(\w+(?:Error|Needed))``")
DOOR_SAYS = {
    "data": re.compile(r"^In: .*\bOut: ", re.MULTILINE | re.DOTALL),
    "units": re.compile(r"\b(mm|millimetres|HU|days?|MiB|UCUM)\b"),
    "errors": re.compile(rf"{NAMED.pattern}|[Nn]othing[\w\s]*\sraised|what it raises"),
    "source": re.compile(r"\b[Ss]ources?\b"),
}
"""What every door says, by a word that stands for it."""
TOOLS = {"base", "surface"}
"""Packages through which nothing flows: what each of their tools takes and gives is said there."""


def offered() -> Iterator[tuple[str, Callable[..., Any]]]:
    """Functions that doors offer, and public methods of what they offer, once each."""
    seen: set[str] = set()
    for package in ORDER:
        door = import_module(f"mineralize.{package}")
        for name in door.__all__:
            held = getattr(door, name)
            own = [(name, held)]
            if inspect.isclass(held):
                own = [(f"{name}.{k}", v) for k, v in vars(held).items() if not k.startswith("_")]
            for title, function in own:
                if inspect.isfunction(function) and function.__module__.startswith("mineralize."):
                    place = f"{function.__module__}.{function.__qualname__}"
                    if place not in seen:
                        seen.add(place)
                        yield f"{package}.{title}", function


FUNCTIONS = list(offered())
ON_ARRAYS = [one for one in FUNCTIONS if ARRAYS.search(str(inspect.signature(one[1])))]


@pytest.mark.parametrize(("name", "function"), ON_ARRAYS, ids=[name for name, _ in ON_ARRAYS])
def test_functions_on_arrays_say_their_shape(name: str, function: Callable[..., Any]) -> None:
    assert SHAPE.search(inspect.getdoc(function) or ""), f"{name} does not say the shape of its arrays"


def test_what_a_function_raises_itself_is_said() -> None:
    silent = []
    for name, function in FUNCTIONS:
        said = inspect.getdoc(function) or ""
        raised = set(RAISED.findall(inspect.getsource(function)))
        silent += [f"{name}: {error}" for error in sorted(raised) if error not in said]
    assert not silent


@pytest.mark.parametrize("package", ORDER)
def test_every_door_says_data_units_errors_and_source(package: str) -> None:
    said = import_module(f"mineralize.{package}").__doc__ or ""
    missing = [what for what, words in DOOR_SAYS.items() if not words.search(said)]
    assert missing == (["data"] if package in TOOLS else [])


@pytest.mark.parametrize("package", ORDER)
def test_a_door_names_the_errors_of_ours_that_come_through_it(package: str) -> None:
    said = set(NAMED.findall(import_module(f"mineralize.{package}").__doc__ or ""))
    raised = {name for path in (PACKAGE / package).glob("*.py") for name in RAISED.findall(path.read_text("utf-8"))}
    assert {name for name in raised if hasattr(base, name)} <= said
    assert all(hasattr(base, name) or hasattr(builtins, name) for name in said)


def test_the_check_finds_functions() -> None:
    assert len(ON_ARRAYS) > 50
    assert not SHAPE.search("How far (mm) a share (0..1) of a triangle mesh (Vlachos 2001) lies (mm, positive inward).")
    assert all(SHAPE.search(s) for s in ("points (N, 3) mm", "``(..., 3)``", "(slices, rows, columns)", "(count + 1,)"))
