"""One scan laid on another by the skeleton.

In: two volumes with their skeletons and the place of the lesion. Out: an :class:`Alignment`: a rigid motion (4x4, LPS
mm of the moving to LPS mm of the fixed scan), predicted standard error at the lesion in mm, trust and reason. Method:
``trust`` and ``search`` name their sources. Nothing is raised for poor data: it is withheld, with the reason.
"""

from __future__ import annotations

from .pair import Alignment, align

__all__ = [
    "Alignment",
    "align",
]
