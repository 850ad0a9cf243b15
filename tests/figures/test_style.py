"""What a user set for the plotting library elsewhere changes no byte of a picture."""

from __future__ import annotations

from typing import Any

import matplotlib
import pytest
from matplotlib.figure import Figure

from mineralize.figures.style import look, png, svg

USERS: dict[str, dict[str, Any]] = {
    "lines": {"lines.linewidth": 9, "lines.linestyle": ":", "axes.grid": True, "path.sketch": (2, 50, 3)},
    "text": {"font.family": "monospace", "font.size": 20, "text.antialiased": False, "axes.unicode_minus": False},
    "files": {"savefig.bbox": "tight", "savefig.transparent": True, "svg.fonttype": "none", "figure.dpi": 30},
    "places": {"figure.figsize": (1, 1), "figure.autolayout": True, "axes.xmargin": 0.5, "xtick.direction": "in"},
    "ticks": {"axes.formatter.use_locale": True, "axes.formatter.limits": (0, 1), "xtick.minor.visible": True},
}


def drawn() -> tuple[bytes, bytes]:
    with look():
        figure = Figure()
        axes = figure.add_subplot()
        axes.plot([0, 1, 2], [-1000, 3, 2000])
        axes.imshow([[0, 1], [2, 3]], extent=(0, 1, 0, 1))
        axes.set_title("Mineral")
        return png(figure), svg(figure)


@pytest.mark.parametrize("name", USERS)
def test_the_same_bytes_whatever_the_user_has_set(name: str) -> None:
    usual = drawn()
    with matplotlib.rc_context(USERS[name]):
        assert drawn() == usual


def test_the_users_settings_come_back() -> None:
    with matplotlib.rc_context({"lines.linewidth": 9}):
        drawn()
        assert matplotlib.rcParams["lines.linewidth"] == 9
