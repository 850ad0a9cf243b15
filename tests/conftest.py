"""What holds for all tests: examples of property tests, and which files begin first where several run side by side.

Property tests try the same examples on every run and have no time limit each: a busy machine is no fault.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import settings

settings.register_profile("repeatable", derandomize=True, deadline=None)
settings.load_profile("repeatable")

os.environ.setdefault("JAX_COMPILATION_CACHE_DIR", str(Path(__file__).parents[1] / ".pytest_cache" / "jax"))
os.environ.setdefault("JAX_PERSISTENT_CACHE_MIN_COMPILE_TIME_SECS", "0.1")
"""What the fits of a cohort compile is kept for the next fit of the same shape, in this run and later: it is more
than half of their time. Read when jax is loaded, by the processes that tests start as well."""

LONGEST = (
    "test_phantoms.py",
    "test_align.py",
    "test_phantom_statements.py",
    "test_study.py",
    "test_web_page.py",
    "test_phantoms_files.py",
    "test_web_whole_job.py",
    "test_study_by_hand.py",
    "test_privacy_outputs.py",
    "test_fit.py",
    "test_guide.py",
    "test_ctdata_soft.py",
    "test_story.py",
    "test_study_crew.py",
    "test_validate.py",
    "test_web_keyboard.py",
    "test_kept.py",
)
"""Files that take longest, longest first (``--durations``): begun last, one of them would keep one core busy alone."""


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Whole files side by side: the longest first, all others in their order (``--no-loadscope-reorder`` keeps it)."""
    if hasattr(config, "workerinput"):
        rank = {name: place for place, name in enumerate(LONGEST)}
        items.sort(key=lambda item: rank.get(item.path.name, len(LONGEST)))
