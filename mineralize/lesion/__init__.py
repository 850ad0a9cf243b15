"""The lesion of one scan: candidates, its outline by shell, by soft margin or drawn, and its zones.

In: a scan with its skeleton and reference (:func:`look_at`), a point LPS mm, the outlines of other scans. Out: an
:class:`Outline` (closed mesh, how each part of it is known, trust and reason), :class:`Zones` with the depth below it
in mm, :class:`Neighbourhood` (the box of voxels around), :class:`Candidate` where no point was given.
Meshes (V, 3), (F, 3), voxels (slices, rows, columns). ``None`` where nothing can be outlined, and a verdict where
that is doubtful; nothing is raised. Modules name the sources of their methods.
"""

from __future__ import annotations

from .again import outline_at
from .candidates import Candidate, clear_winner, nearest_words, why_none
from .constraints import Carrier, Hand, hand_of
from .drawn import outline_from_mask
from .find import candidates_of, correct, drawn_lesion, find_lesion
from .near import FAR_MM, Neighbourhood, neighbourhood
from .outline import Outline, OutlineDoubt
from .seen import SeenScan, look_at
from .specks import Noise, beyond_noise, noise_around
from .together import SOFT, drawn_together
from .zones import Zones, boxed_masks, find_zones, signed_depth, voxel_masks

__all__ = [
    "FAR_MM",
    "SOFT",
    "Candidate",
    "Carrier",
    "Hand",
    "Neighbourhood",
    "Noise",
    "Outline",
    "OutlineDoubt",
    "SeenScan",
    "Zones",
    "beyond_noise",
    "boxed_masks",
    "candidates_of",
    "clear_winner",
    "correct",
    "drawn_lesion",
    "drawn_together",
    "find_lesion",
    "find_zones",
    "hand_of",
    "look_at",
    "nearest_words",
    "neighbourhood",
    "noise_around",
    "outline_at",
    "outline_from_mask",
    "signed_depth",
    "voxel_masks",
    "why_none",
]
