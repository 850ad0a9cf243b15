"""Truth on larger cells, for tests that hold it against tenths: fine ones cost half of its time.

The judge integrates a lesion over three million cells at least. Over 400 000 its volumes and masses move by 1 to 3 %
(thin mineral most) and what it traces along rays not at all. `tests/phantoms` holds the fine ones against closed forms.
"""

from __future__ import annotations

import contextlib
import importlib
from collections.abc import Iterator
from unittest import mock

CELLS = 400_000


@contextlib.contextmanager
def coarse_truth() -> Iterator[None]:
    """While it lasts, histories that have not been asked for their truth yet integrate over fewer cells."""
    judge = importlib.import_module("phantoms.truth")
    with mock.patch.object(judge, "LARGEST_GRID", CELLS):
        yield
