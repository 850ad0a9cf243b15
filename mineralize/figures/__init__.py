"""Pictures of a study: planes, course, rim maps, maps of change, as PNG and SVG bytes.

In: a ``Study``, its record and the plan of views. Out: :class:`Pictures` (:func:`draw`), and the panels that the page
and the PDF put together themselves. Nothing is measured here.
"""

from __future__ import annotations

from .change import alt
from .course import EVENT_MARK, course_panel, profile_panel
from .pictures import Pictures, draw
from .planes import OUTLINE, grey_png, no_picture, picture
from .rim import rim_panel, scales_of
from .style import INK, QUIET, ROSE, RULE, VIOLET, look

__all__ = [
    "EVENT_MARK",
    "INK",
    "OUTLINE",
    "QUIET",
    "ROSE",
    "RULE",
    "VIOLET",
    "Pictures",
    "alt",
    "course_panel",
    "draw",
    "grey_png",
    "look",
    "no_picture",
    "picture",
    "profile_panel",
    "rim_panel",
    "scales_of",
]
