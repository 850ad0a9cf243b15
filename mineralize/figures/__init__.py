"""Pictures of a study: planes, course, rim maps, maps of change, as PNG and SVG bytes.

In: a ``Study``, its record and the plan of views. Out: :class:`Pictures` (:func:`draw`), and the panels that the page
and the PDF put together themselves. Nothing is measured here. Lengths mm, density HU at 120 kVp; a picture that a
study does not allow is ``None`` or left out: nothing is raised. Source: own definitions.
"""

from __future__ import annotations

from .change import alt
from .course import EVENT_MARK, course_panel, profile_panel
from .needle import PATH_COLOURS, PATH_WIDTHS, ZONE_FILLS, letters_of, needle_panel, stretches
from .pictures import Pictures, draw
from .planes import OUTLINE, ZONE_COLOURS, ZONE_DASHES, ZONE_WIDTHS, grey_png, no_picture, picture
from .rim import rim_panel, scales_of
from .style import INK, PNG_DPI, QUIET, ROSE, RULE, VIOLET, look

__all__ = [
    "EVENT_MARK",
    "INK",
    "OUTLINE",
    "PATH_COLOURS",
    "PATH_WIDTHS",
    "PNG_DPI",
    "QUIET",
    "ROSE",
    "RULE",
    "VIOLET",
    "ZONE_COLOURS",
    "ZONE_DASHES",
    "ZONE_FILLS",
    "ZONE_WIDTHS",
    "Pictures",
    "alt",
    "course_panel",
    "draw",
    "grey_png",
    "letters_of",
    "look",
    "needle_panel",
    "no_picture",
    "picture",
    "profile_panel",
    "rim_panel",
    "scales_of",
    "stretches",
]
