"""How a shell goes on where nothing of it shows: the ellipsoid of its outer faces, as far as these pin its size.

A smooth surface across a wide opening lies nearly flat, and the blur at the end of the wall draws its border inward: a
bowl was read as a whole lesion of half its size. The faces of mineral away from any opening say how large the lesion
is, the more of it they cover: their ellipsoid has a volume with a standard deviation, the smooth surface has one of its
own (:data:`SMOOTH_SD`), and the opening is drawn between both by those weights.

Tuned on small open shells (seeds 9001-9024 of random histories, 10-22 mm, 30-70 % complete).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from ..base import Floats, Verdicts, caution
from ..surface import RayMesh, mesh_volume, vertex_areas
from .start import Ellipsoid

SECURE, CLEAREST = 0.5, 0.9
"""Weight of an edge, as a share of the clearest of the outline (this quantile), from which a vertex lies on the outer
face of mineral: thick slices make all edges less clear."""
OPEN = 0.1
"""... and up to which it lies in an opening."""
BORDER, BORDER_MM = 0.2, 1.0
"""So far from an opening (share of the radius, and mm at least) the end of the wall may be looked at."""
LEAST_SECURE = 40
"""Fewer secure vertices than this say nothing of a size."""
FACE_SD, FACE_SD_MM, FACES = 0.06, 0.1, 20.0
"""Standard deviation of a face from its ellipsoid (share of the radius, and mm), and independent ones on a lesion."""
FARTHEST_MM = 20.0
"""A place farther off its ellipsoid counts as no farther: another structure's."""
AXES_SD = 0.15
"""Standard deviation of the logarithms of semi-axes about their mean."""
SMOOTH_SD, SMALL, FALLS = 0.8, 8.0, 4.0
"""Standard deviation of the logarithm of the volume that a smooth surface encloses over openings, in lesions whose
radius is up to so many standard deviations of blur; in larger ones it falls with this power of the radius (10 to 22 mm
lesions beside those of 25 to 40 mm)."""
HALF_AT = 0.3
"""Distance from the secure part (share of the radius) at which the ellipsoid comes to count half: a narrow gap is
crossed better by the shell around it, lobes and all, than by an ellipsoid."""
WHOLE, WHOLE_OVER = 0.9, 0.2
"""Share of the area that is secure from which nothing is drawn anew, and below it over how much that comes to count."""
DOUBTFUL = 0.3
"""Half-width of the volume from which the outline is said to be partly unseen."""
LARGEST = 2.5
"""Times its distance from the middle that a place may be moved out to; and in, by the inverse."""


@dataclass(frozen=True, eq=False)
class Lid:
    """``vertices`` (N, 3) LPS mm with openings drawn anew; ``volume_width`` the relative 95 % half-width of the volume
    that faces leave open, 0 where no opening is; ``unseen`` the share of the area that no edge carried."""

    vertices: Floats
    volume_width: float
    unseen: float


def drawn_on(
    vertices: Floats, weight: Floats, fixed: NDArray[np.bool_], mesh: RayMesh, centre: Floats, *, blur_mm: float
) -> Lid:
    """Draw openings of a shell between the smooth surface and the ellipsoid of its faces.

    Parameters
    ----------
    vertices : (N, 3) LPS mm on rays from ``centre`` (3,).
    weight : (N,) how far an edge carried each, 0..1.
    fixed : (N,) where bone ends the lesion, whatever the shell does.
    blur_mm : standard deviation of the blur of the scan.
    """
    unchanged = Lid(vertices, 0.0, 0.0)
    radius = float(np.cbrt(0.75 * mesh_volume(vertices, mesh.faces) / np.pi))
    secure = (weight > max(SECURE * float(np.quantile(weight, CLEAREST)), OPEN)) & ~fixed
    open_ = vertices[(weight <= OPEN) & ~fixed]
    if not len(open_):
        return unchanged
    away, _ = cKDTree(open_).query(vertices)
    secure &= away > max(BORDER * radius, BORDER_MM)
    area = vertex_areas(vertices, mesh.faces)
    area = area / area.sum()
    unseen = 1.0 - float(area[secure | fixed].sum())
    anew = float(np.clip((WHOLE - 1.0 + unseen) / WHOLE_OVER, 0.0, 1.0))
    if anew == 0.0:
        return unchanged
    smooth = SMOOTH_SD * min(1.0, SMALL * blur_mm / radius) ** FALLS
    open_share = float(area[(weight <= OPEN) & ~fixed].sum())
    if secure.sum() < LEAST_SECURE:
        return Lid(vertices, anew * 2.0 * smooth, open_share)
    try:
        body, sd = _ellipsoid_of_faces(vertices[secure], area[secure] * FACES)
    except np.linalg.LinAlgError:
        return Lid(vertices, anew * 2.0 * smooth, open_share)
    arms = vertices - centre
    length = np.maximum(np.linalg.norm(arms, axis=1), 1e-9)
    reached = body.reach(centre, arms / length[:, None])
    reached = np.where(np.isfinite(reached), np.clip(reached, length / LARGEST, length * LARGEST), length)
    far = cKDTree(vertices[secure | fixed]).query(vertices)[0] / (HALF_AT * radius)
    share = anew * smooth**2 / (smooth**2 + sd**2) * far**4 / (far**4 + 1.0)
    moved = centre + (1.0 + share * (reached / length - 1.0))[:, None] * arms
    return Lid(moved, anew * float(2.0 / np.hypot(1.0 / smooth, 1.0 / sd)), open_share)


def with_lid(verdicts: Verdicts, lid: Lid) -> Verdicts:
    """The verdicts of an outline and, where its faces hardly pin its size, that it is partly unseen."""
    if lid.volume_width < DOUBTFUL or any(v.code.startswith("edge-unseen") for v in verdicts):
        return verdicts
    return (*verdicts, caution("edge-unseen", share=lid.unseen))


def _ellipsoid_of_faces(points: Floats, weight: Floats) -> tuple[Ellipsoid, float]:
    """The likeliest ellipsoid through points (N, 3), and the standard deviation of the logarithm of its volume.

    Distances are those along the gradient, to first order (Taubin 1991, IEEE TPAMI 13:1115).
    """
    middle = points.mean(axis=0)
    size = float(np.log(np.linalg.norm(points - middle, axis=1).max()))
    root = np.sqrt(weight)

    def shape(v: Floats) -> Floats:
        return np.asarray(Rotation.from_rotvec(v[6:9]).as_matrix() * np.exp(v[3:6]))

    def misfit(v: Floats) -> Floats:
        inverse = np.linalg.inv(shape(v))
        local = (points - v[:3]) @ inverse.T
        relative = np.maximum(np.linalg.norm(local, axis=1), 1e-6)
        slope = np.maximum(np.linalg.norm(local @ inverse, axis=1) / relative, 1e-6)
        off = np.clip((relative - 1.0) / slope, -FARTHEST_MM, FARTHEST_MM)
        mean = v[3:6].mean()
        spread = FACE_SD * np.exp(mean) + FACE_SD_MM
        return np.concatenate([root * off / spread, (v[3:6] - mean) / AXES_SD, 1e-3 * v[6:9]])

    start = np.array([*middle, size, size, size, 0.01, 0.02, 0.03])
    found = optimize.least_squares(misfit, start, max_nfev=60)
    spread = np.linalg.pinv(found.jac.T @ found.jac)[3:6, 3:6]
    return Ellipsoid(found.x[:3].copy(), shape(found.x)), float(np.sqrt(max(spread.sum(), 1e-12)))
