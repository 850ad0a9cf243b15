"""A fit to a folder of results, whole or not at all."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from ..cases import whole_folder, write_text
from . import figures, page, record
from .methods import methods


def write_curve(document: Mapping[str, Any], out: Path) -> None:
    """``curve.json``, ``curve.html``, ``curve.svg``, ``curve.png`` and ``methods.txt`` in ``out``.

    Raises
    ------
    OutputError
        where ``out`` holds what is not ours, or cannot be written.
    """
    with whole_folder(out) as folder:
        drawn = figures.curve_figure(document)
        write_text(folder / "curve.json", record.dumps(document))
        write_text(folder / "curve.html", page.page(document))
        write_text(folder / "methods.txt", methods(document))
        (folder / "curve.svg").write_bytes(figures.svg(drawn))
        (folder / "curve.png").write_bytes(figures.png(drawn))
