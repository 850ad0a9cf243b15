"""How many cores are ours: one number bounds every pool, whoever asks."""

from __future__ import annotations

import threading

import pytest

from mineralize.base import at_most, cores, granted
from mineralize.cases import aided


@pytest.fixture(autouse=True)
def eight(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(granted.os, "sched_getaffinity", lambda _: range(8), raising=False)


def test_the_smallest_bound_holds_and_ends_with_its_block() -> None:
    assert cores() == 8
    with at_most(4):
        assert cores() == 4
        with at_most(6), at_most(None):
            assert cores() == 4
        with at_most(1):
            assert cores() == 1
        assert cores() == 4
    assert cores() == 8


def test_nobody_gets_more_than_there_are_or_none() -> None:
    with at_most(100):
        assert cores() == 8
    with at_most(0):
        assert cores() == 1


def test_other_threads_are_bound_too() -> None:
    """Pools are asked for by the threads that work on scans, not by the one that knows the bound."""
    found: list[int] = []
    with at_most(3):
        thread = threading.Thread(target=lambda: found.append(cores()))
        thread.start()
        thread.join()
    assert found == [3]


def test_a_bound_ends_with_an_error() -> None:
    with pytest.raises(ValueError, match="x"), at_most(2):
        raise ValueError("x")
    assert cores() == 8


def test_no_process_helps_where_no_core_is_free_for_it() -> None:
    with at_most(1), aided() as aide:
        assert aide is None
    with aided(1) as aide:
        assert aide is None
    with at_most(2), aided() as aide:
        assert aide is not None
