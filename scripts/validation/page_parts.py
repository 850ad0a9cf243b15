"""What every part of the page is made of: tables, pictures, marks."""

from __future__ import annotations

import base64
import html
import io
from collections.abc import Iterable, Sequence
from typing import Any

import matplotlib.pyplot as plt

LOOK = {"ok": ("o", "#1b4f8a", "trusted"), "caution": ("^", "#c4690a", "caution")}


def table(head: Sequence[str], body: Iterable[Sequence[str]]) -> str:
    """A table; cells that are whole ``<td>`` elements are taken as they are."""
    rows = list(body)
    if not rows:
        return "<p>None.</p>"
    words = [c.startswith('<td class="') for c in rows[0]]
    top = "".join(f"<th{' class=word' if w else ''}>{html.escape(h)}</th>" for h, w in zip(head, words, strict=True))
    rest = "".join(
        "<tr>" + "".join(c if c.startswith("<td") else f"<td>{html.escape(c)}</td>" for c in r) + "</tr>" for r in rows
    )
    return f'<div class="wide"><table><tr>{top}</tr>{rest}</table></div>'


def left(text: str, look: str = "word") -> str:
    """A cell of words."""
    return f'<td class="{look}">{html.escape(text)}</td>'


def image(figure: Any, words: str) -> str:
    """The figure inside the page, closed; ``words`` say what it shows."""
    held = io.BytesIO()
    figure.savefig(held, format="png", dpi=90)
    plt.close(figure)
    data = base64.b64encode(held.getvalue()).decode("ascii")
    return f'<img alt="{html.escape(words)}" src="data:image/png;base64,{data}">'
