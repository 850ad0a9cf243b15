"""All pictures of a study, as bytes by file name. They measure nothing: numbers come from the record."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from matplotlib.figure import Figure

from ..results import View, ViewPlan, texts, view
from ..study import Study
from .change import change
from .course import course, profile
from .needle import needle
from .planes import strip
from .rim import rim
from .style import look, png, svg


@dataclass(frozen=True)
class Pictures:
    """What was drawn.

    ``files`` holds PNG and SVG bytes by name; ``views`` the views of each plane, one per scan; ``change_scans``
    the two scans of the change map.
    """

    files: dict[str, bytes]
    views: dict[str, tuple[View, ...]]
    figures: dict[str, Figure] = field(default_factory=dict, repr=False)
    change_scans: tuple[int, int] | None = None


def draw(
    study: Study,
    document: Mapping[str, Any],
    layout: ViewPlan | None,
    in_print: Callable[[Mapping[str, bytes]], object] | None = None,
) -> Pictures:
    """Draw everything that the study allows; what it does not allow is simply not in the result.

    ``in_print`` is called with the files that the PDF is made of as soon as these are drawn.
    """
    views: dict[str, tuple[View, ...]] = {}
    if layout is not None:
        for plane in layout.planes:
            views[plane.name] = tuple(view(study, layout, plane, s.number) for s in study.timeline.scans)
    figures: dict[str, Figure] = {}
    vector: set[str] = set()
    pair = None
    with look():
        for name, shown in views.items():
            figures[f"planes_{name}"] = strip(document, shown)
        if views and (mapped := change(study, document, next(iter(views.values())))):
            figures["change"], *scans = mapped
            pair = (scans[0], scans[1])
        for report in document["correlation"]["biopsies"]:
            drawn = needle(report)
            if drawn is not None:
                figures[f"needle_{report['number']}"] = drawn
                vector.add(f"needle_{report['number']}")
        for name, figure in (
            ("course", course(document, texts.CURVES)),
            ("profile", profile(document)),
            ("rim", rim(study, document)),
            ("rim_attenuation", rim(study, document, thickness=False)),
        ):
            if figure is not None:
                figures[name] = figure
                vector.add(name)
        first = {f"{name}.png": png(figure) for name, figure in figures.items() if printed(name)}
        if in_print is not None:
            in_print(first)
        files = {f"{name}.png": first.get(f"{name}.png") or png(figure) for name, figure in figures.items()}
        files |= {f"{name}.svg": svg(figures[name]) for name in sorted(vector)}
    return Pictures(files, views, figures, pair)


def printed(name: str) -> bool:
    """Whether the PDF shows a drawn figure as it is."""
    return name.startswith("planes_") or name == "rim_attenuation"
