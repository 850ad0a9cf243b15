"""What changed between two scans, whether it is real, and the course over all scans.

In: the time line and rows of measurements. Out: :class:`Change` rows (difference, 95 % interval, real yes, no or
unsure, reason) and :class:`Curve` points over days. Limits of repeatability are named with their source. Nothing is
raised: what cannot be told is unsure, with the reason.
"""

from __future__ import annotations

from .agent import hidden_agent
from .course import LEAST_SCANS, Course, CourseDay, CourseParameter
from .curves import Curve, CurvePoint, find_curves
from .verdict import CAUTION_FACTOR, Change, find_changes

__all__ = [
    "CAUTION_FACTOR",
    "LEAST_SCANS",
    "Change",
    "Course",
    "CourseDay",
    "CourseParameter",
    "Curve",
    "CurvePoint",
    "find_changes",
    "find_curves",
    "hidden_agent",
]
