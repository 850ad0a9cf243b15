"""Grids, rigid motions and the only bridge to SimpleITK.

Arrays are ``[slice, row, column]``; an *index* is a float triple in that order; the *world* is the DICOM
patient coordinate system (LPS, mm, PS3.3 C.7.6.2.1.1), where a voxel's coordinates are those of its centre.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from .lazily import lazy
from .sampling import interpolate

if TYPE_CHECKING:
    import SimpleITK as sitk

Floats = NDArray[np.floating[Any]]

ORTHOGONAL_TOLERANCE = 1e-3
"""Largest accepted dot product of two axis directions of a grid (0.06 degrees)."""


def frozen(array: Any, dtype: Any = None) -> NDArray[Any]:
    """A read-only copy of an array of any shape and unit."""
    copy = np.array(array, dtype=dtype, copy=True)
    copy.flags.writeable = False
    return copy


@dataclass(frozen=True, eq=False)
class Grid:
    """Where the voxels of an array lie.

    Attributes
    ----------
    shape : (slices, rows, columns).
    affine : (4, 4) float64, maps ``(slice, row, column, 1)`` to LPS mm of the voxel centre.
    frame_of_reference : Frame of Reference UID (PS3.3 C.7.4.1); compared, never printed.
    """

    shape: tuple[int, int, int]
    affine: Floats
    frame_of_reference: str = ""

    def __post_init__(self) -> None:
        affine = frozen(self.affine, np.float64)
        if affine.shape != (4, 4) or not np.isfinite(affine).all():
            raise ValueError(f"expected a finite 4x4 affine, got shape {affine.shape}")
        if len(self.shape) != 3 or min(self.shape) < 1:
            raise ValueError(f"expected three positive sizes, got {self.shape}")
        object.__setattr__(self, "affine", affine)
        object.__setattr__(self, "shape", tuple(int(n) for n in self.shape))
        if (self.spacing <= 0).any():
            raise ValueError("expected an affine with three non-zero axes")
        gram = self.directions.T @ self.directions - np.eye(3)
        if np.abs(gram).max() > ORTHOGONAL_TOLERANCE:
            raise ValueError("expected orthogonal axes, got a sheared grid")

    @classmethod
    def from_parts(
        cls,
        shape: Sequence[int],
        spacing: Sequence[float],
        origin: Sequence[float] = (0.0, 0.0, 0.0),
        directions: Any = None,
        frame_of_reference: str = "",
    ) -> Grid:
        """Grid from spacing (slice, row, column; mm), LPS of voxel (0,0,0) and axis directions.

        ``directions`` is (3, 3), its columns the LPS unit vectors of increasing slice, row and column;
        by default an axial grid: slice up (+S), row to posterior (+P), column to left (+L).
        """
        if directions is None:
            directions = np.array([[0.0, 0.0, 1.0], [0.0, 1.0, 0.0], [1.0, 0.0, 0.0]])
        affine = np.eye(4)
        affine[:3, :3] = np.asarray(directions, float) * np.asarray(spacing, float)
        affine[:3, 3] = origin
        n, r, c = (int(v) for v in shape)
        return cls((n, r, c), affine, frame_of_reference)

    @lazy
    def spacing(self) -> Floats:
        """(3,) mm between voxel centres along slice, row, column."""
        return frozen(np.linalg.norm(self.affine[:3, :3], axis=0))

    @lazy
    def directions(self) -> Floats:
        """(3, 3), columns are LPS unit vectors of increasing slice, row, column."""
        return frozen(self.affine[:3, :3] / self.spacing)

    @property
    def origin(self) -> Floats:
        """LPS mm of the centre of voxel (0, 0, 0)."""
        return self.affine[:3, 3]

    @property
    def voxel_volume_mm3(self) -> float:
        return float(np.prod(self.spacing))

    @lazy
    def inverse(self) -> Floats:
        return frozen(np.linalg.inv(self.affine))

    def to_world(self, index: Any) -> Floats:
        """LPS mm of ``(..., 3)`` indices."""
        index = np.asarray(index, float)
        return np.asarray(index @ self.affine[:3, :3].T + self.affine[:3, 3])

    def to_index(self, world: Any) -> Floats:
        """``(..., 3)`` float indices of LPS mm points."""
        world = np.asarray(world, float)
        return np.asarray(world @ self.inverse[:3, :3].T + self.inverse[:3, 3])

    def contains(self, world: Any, margin_mm: float = 0.0) -> NDArray[np.bool_]:
        """Whether ``(..., 3)`` LPS mm points lie within the outermost voxel centres, by ``margin_mm`` or more."""
        index = self.to_index(world)
        margin = margin_mm / self.spacing
        last = np.asarray(self.shape, float) - 1
        slack = 1e-6  # rounding must not put the outermost voxel centre outside
        return np.asarray(((index >= margin - slack) & (index <= last - margin + slack)).all(axis=-1))

    def corners(self) -> Floats:
        """(8, 3) LPS mm of the outermost voxel centres."""
        ends = np.array(np.meshgrid(*[(0, n - 1) for n in self.shape], indexing="ij")).reshape(3, -1).T
        return self.to_world(ends)

    def bounds_around(self, points: Any, margin_mm: float) -> tuple[tuple[int, int], ...]:
        """Index ranges ((lo, hi), ...) (hi exclusive), clipped, of the box of ``(..., 3)`` LPS points plus margin."""
        index = self.to_index(np.asarray(points, float).reshape(-1, 3))
        margin = margin_mm / self.spacing
        lo = np.floor(index.min(axis=0) - margin).astype(int)
        hi = np.ceil(index.max(axis=0) + margin).astype(int) + 1
        return tuple(
            (int(min(max(a, 0), n - 1)), int(min(max(b, 1), n))) for a, b, n in zip(lo, hi, self.shape, strict=True)
        )

    def cropped(self, bounds: Sequence[tuple[int, int]]) -> Grid:
        """The grid of ``array[lo0:hi0, lo1:hi1, lo2:hi2]``."""
        affine = self.affine.copy()
        affine[:3, 3] = self.to_world([lo for lo, _ in bounds])
        (a, b), (c, d), (e, f) = bounds
        return Grid((b - a, d - c, f - e), affine, self.frame_of_reference)

    def with_spacing(self, spacing_mm: Sequence[float]) -> Grid:
        """A grid over the same box with other spacing (slice, row, column; mm)."""
        new = np.asarray(spacing_mm, float)
        extent = (np.asarray(self.shape) - 1) * self.spacing
        shape = np.maximum(np.floor(extent / new + 1e-6).astype(int) + 1, 1)
        return Grid.from_parts(
            shape.tolist(), new.tolist(), self.origin.tolist(), self.directions, self.frame_of_reference
        )

    def world_of_all(self) -> Floats:
        """(slices, rows, columns, 3) LPS mm of every voxel. For small grids."""
        index = np.stack(np.meshgrid(*[np.arange(n) for n in self.shape], indexing="ij"), axis=-1)
        return self.to_world(index)

    def same_as(self, other: Grid, tolerance_mm: float = 1e-3) -> bool:
        """Same shape, same voxel positions and the same frame of reference."""
        return (
            self.shape == other.shape
            and self.frame_of_reference == other.frame_of_reference
            and bool(np.abs(self.corners() - other.corners()).max() <= tolerance_mm)
        )


@dataclass(frozen=True, eq=False)
class Rigid:
    """A rigid motion of LPS mm: ``apply(x) = R x + t``."""

    matrix: Floats

    def __post_init__(self) -> None:
        matrix = frozen(self.matrix, np.float64)
        rotation = matrix[:3, :3]
        if matrix.shape != (4, 4) or np.abs(rotation @ rotation.T - np.eye(3)).max() > 1e-6:
            raise ValueError("expected a 4x4 rigid matrix")
        if np.linalg.det(rotation) < 0:
            raise ValueError("expected a rotation, got a reflection")
        object.__setattr__(self, "matrix", matrix)

    @classmethod
    def identity(cls) -> Rigid:
        return cls(np.eye(4))

    @classmethod
    def from_vectors(
        cls,
        rotation_vector: Sequence[float],
        translation: Sequence[float],
        centre: Sequence[float] = (0, 0, 0),
    ) -> Rigid:
        """Turn by ``rotation_vector`` (radians, LPS) about ``centre``, then shift by ``translation`` (mm)."""
        v = np.asarray(rotation_vector, float)
        angle = float(np.linalg.norm(v))
        rotation = np.eye(3)
        if angle > 0:
            x, y, z = v / angle
            k = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
            rotation = rotation + np.sin(angle) * k + (1 - np.cos(angle)) * (k @ k)
        matrix = np.eye(4)
        matrix[:3, :3] = rotation
        c = np.asarray(centre, float)
        matrix[:3, 3] = c - rotation @ c + np.asarray(translation, float)
        return cls(matrix)

    def apply(self, points: Any) -> Floats:
        """``(..., 3)`` LPS mm points where the motion takes them."""
        return np.asarray(np.asarray(points, float) @ self.matrix[:3, :3].T + self.matrix[:3, 3])

    def turn(self, vectors: Any) -> Floats:
        """``(..., 3)`` direction vectors, of any length and unit, turned and not shifted."""
        return np.asarray(np.asarray(vectors, float) @ self.matrix[:3, :3].T)

    def inverse(self) -> Rigid:
        matrix = np.eye(4)
        matrix[:3, :3] = self.matrix[:3, :3].T
        matrix[:3, 3] = -self.matrix[:3, :3].T @ self.matrix[:3, 3]
        return Rigid(matrix)

    def __matmul__(self, first: Rigid) -> Rigid:
        """``(a @ b).apply(x) == a.apply(b.apply(x))``."""
        return Rigid(self.matrix @ first.matrix)

    @property
    def angle_deg(self) -> float:
        cosine = (np.trace(self.matrix[:3, :3]) - 1) / 2
        return float(np.degrees(np.arccos(np.clip(cosine, -1, 1))))


def even_directions(count: int) -> Floats:
    """Unit vectors (count, 3) spread nearly evenly over the sphere: a golden spiral.

    Gonzalez 2010, 10.1007/s11004-009-9257-x.
    """
    i = np.arange(count) + 0.5
    polar = np.arccos(1 - 2 * i / count)
    turn = np.pi * (1 + np.sqrt(5)) * i
    return np.stack([np.cos(turn) * np.sin(polar), np.sin(turn) * np.sin(polar), np.cos(polar)], axis=1)


def sample(array: NDArray[Any], grid: Grid, world: Any, *, order: int = 1, outside: float = np.nan) -> Floats:
    """Values of ``array`` at ``(..., 3)`` LPS points.

    Interpolates by ``order`` (0 nearest, 1 linear, 3 cubic spline); points beyond the outermost voxel
    centres give ``outside``. float32 ``(...,)``.
    """
    world = np.asarray(world, float)
    if order == 1:
        held = array if array.dtype in (np.float32, np.int16) else array.astype(np.float32)
        values = np.empty(world.size // 3, np.float32)
        inverse = grid.inverse
        interpolate(held, inverse[:3, :3], inverse[:3, 3], world.reshape(-1, 3), outside, values)
        return np.asarray(values.reshape(world.shape[:-1]))
    from scipy import ndimage

    index = grid.to_index(world.reshape(-1, 3))
    source = array if array.dtype == np.float32 else array.astype(np.float32)
    values = ndimage.map_coordinates(source, index.T, order=order, mode="nearest", output=np.float32)
    last = np.asarray(grid.shape, float) - 1
    inside = ((index >= -1e-6) & (index <= last + 1e-6)).all(axis=1)
    values[~inside] = outside
    return np.asarray(values.reshape(world.shape[:-1]))


def to_sitk(array: NDArray[Any], grid: Grid) -> sitk.Image:
    """SimpleITK image of an array (slices, rows, columns) on its grid (LPS mm); booleans become 8 bit.

    Raises
    ------
    ValueError
        where the array has not the shape of the grid.
    """
    import SimpleITK as sitk  # late: who only reads headers or decodes slices starts without it

    if array.shape != grid.shape:
        raise ValueError(f"array {array.shape} does not fit grid {grid.shape}")
    plain = array.astype(np.uint8) if array.dtype == np.bool_ else array
    image = sitk.GetImageFromArray(np.ascontiguousarray(plain))
    image.SetSpacing([float(v) for v in grid.spacing[::-1]])
    image.SetOrigin([float(v) for v in grid.origin])
    image.SetDirection(np.ascontiguousarray(grid.directions[:, ::-1]).ravel().tolist())
    return image


def from_sitk(image: sitk.Image, frame_of_reference: str = "") -> tuple[NDArray[Any], Grid]:
    """Array ``[slice, row, column]`` (a copy) and grid of a 3-D SimpleITK image."""
    import SimpleITK as sitk

    directions = np.array(image.GetDirection()).reshape(3, 3)[:, ::-1]
    grid = Grid.from_parts(
        image.GetSize()[::-1], image.GetSpacing()[::-1], image.GetOrigin(), directions, frame_of_reference
    )
    return sitk.GetArrayFromImage(image), grid


LEAST_PART = 0.38
"""Sine of 22.5 degrees: a direction so near to an axis is called by that axis alone."""


def anatomical_words(direction: Any) -> str:
    """The direction of an LPS vector in words, strongest first, e.g. ``"anterior-left"``.

    Parts weaker than :data:`LEAST_PART` of the length are left out.
    """
    v = np.asarray(direction, float)
    length = float(np.linalg.norm(v))
    if length == 0 or not np.isfinite(length):
        return "none"
    names = (("right", "left"), ("anterior", "posterior"), ("inferior", "superior"))
    parts = [(abs(x) / length, pair[int(x > 0)]) for x, pair in zip(v, names, strict=True)]
    return "-".join(word for size, word in sorted(parts, key=lambda p: -p[0]) if size >= LEAST_PART)
