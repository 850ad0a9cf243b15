"""The other process that helps to write a case: it makes the DICOM objects, and the PDF where it is free.

It takes longer to load than a small case takes to be written, so that it is started while scans are measured and, where
many cases are written, kept from one to the next.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from ..base import Aide, answer_calls, cores

ENTRY = "mineralize.cases.help"
"""The module whose ``main`` the other process runs."""

_kept: list[Aide] = []


@contextmanager
def one_aide() -> Iterator[None]:
    """All that is written within the block is written with one and the same other process; not started until asked."""
    with Aide(ENTRY) as aide:
        _kept.append(aide)
        try:
            yield
        finally:
            _kept.remove(aide)


@contextmanager
def aided(jobs: int | None = None) -> Iterator[Aide | None]:
    """The other process for one case; ``None`` where no core is free for it: ``jobs``, by default all cores, is 1."""
    if (jobs or cores()) <= 1:
        yield None
    elif _kept:
        yield _kept[-1]
    else:
        with Aide(ENTRY) as aide:
            yield aide


def main() -> None:
    """What the other process runs."""
    from ..dicom_out import seg, sr  # noqa: F401  # loaded before the first call comes
    from . import dicom, drawing  # noqa: F401

    def meanwhile() -> None:
        seg.load_tables()
        drawing.load()

    answer_calls(meanwhile)
