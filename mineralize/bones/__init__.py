"""Bone of one scan: masks, surfaces at the half maximum of the cortex, and bone near the lesion.

In: a ``Volume``. Out: a :class:`Skeleton` of :class:`Bone` with surface points (N, 3) and normals, LPS mm;
:func:`bone_near` gives bone around a lesion as the other scans of the history show it; :class:`LesionZone` says where
bone must not be compared. Lengths mm, masks (slices, rows, columns). Nothing is raised: where no bone is seen the
skeleton is empty. Modules name the sources of their methods.
"""

from __future__ import annotations

from .field import METAL_HU, bounding_box, signed_distance, sub_voxel_field
from .mask import BoneNear, bone_near
from .parts import Bone
from .skeleton import Skeleton, block_mean, find_skeleton
from .zone import LesionZone

__all__ = [
    "METAL_HU",
    "Bone",
    "BoneNear",
    "LesionZone",
    "Skeleton",
    "block_mean",
    "bone_near",
    "bounding_box",
    "find_skeleton",
    "signed_distance",
    "sub_voxel_field",
]
