"""Errors: one sentence each, the right exit code, and they survive the way to another process."""

from __future__ import annotations

import inspect
import pickle

import pytest

from mineralize.base import errors
from mineralize.lesion import Candidate

CANDIDATE = Candidate(1, 2, (1.0, -2.0, 3.5), 900.0, 120.0, 14.0, 3.0, 2.5, "mineral clear of the bone")
EXAMPLES = [
    errors.MineralizeError("a"),
    errors.UsageError("give three numbers"),
    errors.LesionNeeded("which lesion?", (CANDIDATE,)),
    errors.InputError("the folder is empty"),
    errors.CaseFileError("onset: expected a date"),
    errors.SeriesError("slices are missing", "slice-spacing", "export the series again"),
    errors.PatientsMixedError("two patients"),
    errors.OutputError("no space left"),
]


def test_every_class_has_an_example() -> None:
    classes = {c for _, c in inspect.getmembers(errors, inspect.isclass) if issubclass(c, errors.MineralizeError)}
    assert {type(e) for e in EXAMPLES} == classes


@pytest.mark.parametrize("error", EXAMPLES, ids=lambda e: type(e).__name__)
def test_pickles_whole(error: errors.MineralizeError) -> None:
    again = pickle.loads(pickle.dumps(error))
    assert type(again) is type(error)
    assert str(again) == str(error)
    assert again.__dict__ == error.__dict__
    assert again.exit_code == error.exit_code


def test_the_tree_in_the_docstring_is_the_tree() -> None:
    for error in EXAMPLES:
        assert type(error).__name__ in str(errors.__doc__)


def test_exit_codes() -> None:
    """Exit codes are a contract: 2 usage, 3 needs an answer, 4 input or output."""
    codes = {type(e).__name__: e.exit_code for e in EXAMPLES}
    assert codes["UsageError"] == 2
    assert codes["LesionNeeded"] == 3
    assert {codes[n] for n in ("InputError", "SeriesError", "CaseFileError", "PatientsMixedError", "OutputError")} == {
        4
    }


def test_series_error_says_the_remedy() -> None:
    assert str(EXAMPLES[5]) == "slices are missing; export the series again"
