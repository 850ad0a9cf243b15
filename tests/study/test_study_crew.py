"""Scans side by side: the same results whatever the number of workers, in order, with errors carried through."""

from __future__ import annotations

import sys
import threading
import time
from functools import partial

import numpy as np
import pytest
import SimpleITK as sitk
from histories import timeline
from threadpoolctl import threadpool_info, threadpool_limits

from mineralize.base import Grid, SeriesError, at_most, granted, lazy
from mineralize.results import tables
from mineralize.results.record import dumps, history
from mineralize.study import analyse, crew, need_mib, scans_at_a_time
from mineralize.study.crew import Clock

study_crew = sys.modules["mineralize.study.crew"]
"""The module; the package offers a function of that name."""


def grid(slices: int) -> Grid:
    return Grid.from_parts((slices, 512, 512), (1.0, 0.6, 0.6), (0.0, 0.0, 0.0), np.eye(3))


@pytest.mark.slow
def test_results_do_not_depend_on_the_number_of_workers() -> None:
    line = timeline("maturing-shell", 0, (1, 2, 3), matrix=128, slices=56)
    asked: list[int] = []

    def meanwhile() -> None:
        asked.append(1)
        raise OSError("a file vanished")

    alone, three = (history(analyse(line, jobs=jobs, meanwhile=meanwhile)) for jobs in (1, 3))
    assert asked == [1]  # where there is an idle worker, and what it raises is dropped
    assert tables.measurements(alone) == tables.measurements(three)
    assert dumps(alone) == dumps(three)


def test_results_come_in_the_order_of_the_items() -> None:
    def slow(k: int) -> int:
        time.sleep(0.02 * (3 - k))
        return k

    with crew(3) as workers:
        assert workers.each(slow, range(4)) == [0, 1, 2, 3]


def test_the_error_of_the_first_item_is_raised_whichever_came_first() -> None:
    def fail(k: int) -> None:
        time.sleep(0.05 * (2 - k))
        raise SeriesError(f"scan {k}")

    for count in (1, 2):
        with pytest.raises(SeriesError, match="scan 0"), crew(count) as workers:
            workers.each(fail, range(2))


def test_tasks_may_wait_for_tasks_given_before_them() -> None:
    with crew(2) as workers:
        first = [workers.submit(partial(int, k)) for k in range(5)]
        then = [workers.submit(lambda f=f: f.result() + 1) for f in first]  # type: ignore[misc]
        assert [t.result(timeout=10) for t in then] == [1, 2, 3, 4, 5]


def test_what_was_not_started_is_dropped_after_an_error() -> None:
    ran: list[int] = []

    def work(k: int) -> None:
        time.sleep(0.01)
        ran.append(k)

    def broken() -> None:
        with crew(2) as workers:
            for k in range(50):
                workers.submit(partial(work, k))
            raise ValueError("stop")

    with pytest.raises(ValueError, match="stop"):
        broken()
    assert len(ran) < 50


def test_the_image_library_does_not_multiply_threads_and_gets_its_own_back(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(granted.os, "sched_getaffinity", lambda _: range(8), raising=False)
    own = sitk.ProcessObject.GetGlobalDefaultNumberOfThreads()
    try:
        sitk.ProcessObject.SetGlobalDefaultNumberOfThreads(4)
        with crew(2):
            assert sitk.ProcessObject.GetGlobalDefaultNumberOfThreads() == 2
        with at_most(1), crew(1):
            assert sitk.ProcessObject.GetGlobalDefaultNumberOfThreads() == 1
        with at_most(3), crew(1):
            assert sitk.ProcessObject.GetGlobalDefaultNumberOfThreads() == 3
        assert sitk.ProcessObject.GetGlobalDefaultNumberOfThreads() == 4
    finally:
        sitk.ProcessObject.SetGlobalDefaultNumberOfThreads(own)


def _blas_threads() -> set[int]:
    return {library["num_threads"] for library in threadpool_info() if library["user_api"] == "blas"}


def test_sums_of_linear_algebra_do_not_depend_on_how_many_threads_it_is_allowed() -> None:
    with threadpool_limits(limits=2, user_api="blas"):
        given = _blas_threads()
        with crew(2) as workers:
            assert workers.each(lambda _: _blas_threads(), range(3)) == [{1}] * 3
        assert _blas_threads() == given


@pytest.mark.parametrize(
    ("free", "available", "expected"),
    [(32000.0, 2, 2), (32000.0, 16, 5), (1890.0, 2, 1), (100.0, 8, 1), (1910.0, 8, 2)],
)
def test_as_many_scans_at_a_time_as_cores_and_memory_allow(
    free: float, available: int, expected: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Five scans of 512 x 512 x 300 take 750 MiB at two bytes each; each at work takes 350 MiB + 1.5 x 150 MiB."""
    monkeypatch.setattr(study_crew, "kept_in_memory", lambda size: True)
    assert scans_at_a_time([grid(300)] * 5, free, available) == expected


def test_voxels_that_lie_in_a_file_take_no_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(study_crew, "kept_in_memory", lambda size: size < 100 * 2**20)
    assert need_mib([grid(300)] * 5, 2) == pytest.approx(2 * (350 + 1.5 * 150))
    assert need_mib([grid(300), grid(100)], 8) == pytest.approx(50 + 2 * (350 + 1.5 * 150))
    assert need_mib([], 2) == pytest.approx(350)
    assert scans_at_a_time([grid(300)] * 5, 1200.0, 8) == 2


def test_progress_never_goes_back_and_ends_full() -> None:
    told: list[tuple[str, int, int]] = []
    clock = Clock(lambda *step: told.append(step), workers=2)
    clock.expect(align=3, measure=3)

    def align(k: int) -> None:
        with clock.task("align"):
            time.sleep(0.01)

    def measure(k: int) -> None:
        with clock.task("measure"):
            time.sleep(0.01)

    with crew(2) as workers:
        futures = [workers.submit(partial(do, k)) for do in (align, measure) for k in range(3)]
        for future in futures:
            future.result()
    place = [(("align", "measure").index(stage), done) for stage, done, _ in told]
    assert place == sorted(set(place))
    assert told[0] == ("align", 0, 3)
    assert dict(clock.seconds()).keys() == {"align", "measure"}
    assert all(seconds >= 0 for _, seconds in clock.processor_seconds())


def test_a_lazy_value_does_not_wait_for_that_of_another_instance() -> None:
    """functools.cached_property holds one lock for all instances before Python 3.12."""
    both = threading.Barrier(2, timeout=10)

    class Thing:
        @lazy
        def value(self) -> int:
            return both.wait()

    with crew(2) as workers:
        assert sorted(workers.each(lambda thing: thing.value, [Thing(), Thing()])) == [0, 1]


def test_a_lazy_value_is_computed_once_and_can_be_forgotten() -> None:
    class Thing:
        count = 0

        @lazy
        def value(self) -> int:
            self.count += 1
            return self.count

    thing = Thing()
    assert (thing.value, thing.value) == (1, 1)
    thing.__dict__.pop("value")
    assert thing.value == 2
