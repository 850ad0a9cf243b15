"""Lesions without mineral: balls and ellipsoids of known size, found by their soft margin or not at all."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from analytic_shell import SOFT_HU, Shell, reference, rendered
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from mineralize.lesion import Outline, neighbourhood
from mineralize.lesion.soft import body_of, find_soft_margin
from mineralize.reference.tissues import Tissue
from mineralize.surface import RayMesh

NOISE = 12.0
OFF = np.array([2.0, -3.0, 1.5])
"""The point given is not the middle."""


def found(shell: Shell, *, bone_at_mm: float | None = None, fat: bool = False) -> Outline | None:
    """The outline of one ellipsoid in noise; with ``bone_at_mm`` all beyond that distance to the left is bone."""
    volume = rendered(shell, noise=NOISE, fwhm=1.2)
    # Uncorrelated noise in voxels of 0.84 mm3 falls to about a ninth in cubes of 4 mm.
    ref = replace(reference(volume, noise=NOISE), noise_4mm_hu=NOISE / 8.7)
    if fat:
        ref = replace(ref, fat=Tissue(-100.0, 1.0, 1e4))
    distance = None
    if bone_at_mm is not None:
        distance = (bone_at_mm - volume.grid.world_of_all()[..., 0]).astype(np.float32)
        volume = replace(volume, hu=np.where(distance < 0, 1200.0, volume.hu).astype(np.float32))
    return find_soft_margin(neighbourhood(volume, distance, ref), OFF, ref, scan=1)


@pytest.mark.parametrize("radii", [(15.0, 15.0, 15.0), (20.0, 12.0, 12.0), (8.0, 8.0, 8.0)])
@pytest.mark.parametrize("contrast", [-20.0, -40.0, 25.0])
def test_a_visible_margin_is_followed(radii: tuple[float, float, float], contrast: float) -> None:
    """Volume of an ellipsoid, 4/3 pi abc, within 8 %; the surface within 1 mm on average."""
    inside = SOFT_HU + contrast
    shell = Shell(radii=radii, shell_hu=inside, core_hu=inside)
    outline = found(shell)
    assert outline is not None
    assert outline.trust == "caution"
    assert "soft margin" in outline.reason
    assert outline.volume_mm3 == pytest.approx(shell.volume_mm3, rel=0.08)
    level = np.linalg.norm(outline.vertices / np.array(radii), axis=1)
    assert np.abs((level - 1.0) * min(radii)).mean() < 1.0


@pytest.mark.parametrize("contrast", [0.0, -2.0])
def test_what_looks_like_muscle_is_not_outlined_in_muscle(contrast: float) -> None:
    inside = SOFT_HU + contrast
    assert found(Shell(shell_hu=inside, core_hu=inside)) is None


def test_a_mass_like_muscle_is_outlined_in_fat() -> None:
    shell = Shell(shell_hu=SOFT_HU, core_hu=SOFT_HU, outside_hu=-100.0)
    outline = found(shell, fat=True)
    assert outline is not None
    assert outline.volume_mm3 == pytest.approx(shell.volume_mm3, rel=0.06)
    assert "cannot be told from muscle" in outline.reason


def test_a_clump_of_mineral_to_one_side_stays_inside_the_mass() -> None:
    """A ball of muscle in fat with a small dense ball near its surface: the volume is that of the large one."""
    shell = Shell(shell_hu=SOFT_HU, core_hu=SOFT_HU, outside_hu=-100.0)
    volume = rendered(shell, noise=NOISE, fwhm=1.2)
    away = np.linalg.norm(volume.grid.world_of_all() - np.array([-9.0, 0.0, 0.0]), axis=-1)
    volume = replace(volume, hu=(volume.hu + 500.0 * np.clip(4.0 - away, 0.0, 1.0)).astype(np.float32))
    ref = replace(reference(volume, noise=NOISE), noise_4mm_hu=NOISE / 8.7, fat=Tissue(-100.0, 1.0, 1e4))
    outline = find_soft_margin(neighbourhood(volume, None, ref), np.array([6.0, 3.0, 1.0]), ref, scan=1)
    assert outline is not None
    assert outline.volume_mm3 == pytest.approx(shell.volume_mm3, rel=0.06)


def test_bone_ends_the_lesion() -> None:
    """A ball cut off by bone 12 mm from its middle: the cap beyond is not the lesion's (spherical cap, closed form)."""
    shell = Shell(shell_hu=SOFT_HU - 40, core_hu=SOFT_HU - 40)
    outline = found(shell, bone_at_mm=12.0)
    assert outline is not None
    cap = np.pi * 3.0**2 * (3 * 15.0 - 3.0) / 3
    assert outline.volume_mm3 == pytest.approx(shell.volume_mm3 - cap, rel=0.08)
    assert outline.vertices[:, 0].max() < 13.0


def test_a_lesion_that_leaves_the_view_is_not_outlined() -> None:
    volume = rendered(Shell(radii=(15.0,) * 3, shell_hu=10.0, core_hu=10.0), margin=-3.0, noise=NOISE)
    ref = replace(reference(volume, noise=NOISE), noise_4mm_hu=NOISE / 8.7)
    assert find_soft_margin(neighbourhood(volume, None, ref), OFF, ref, scan=1) is None


def test_the_point_given_hardly_moves_the_outline() -> None:
    shell = Shell(shell_hu=SOFT_HU - 40, core_hu=SOFT_HU - 40)
    volume = rendered(shell, noise=NOISE, fwhm=1.2)
    ref = replace(reference(volume, noise=NOISE), noise_4mm_hu=NOISE / 8.7)
    near = neighbourhood(volume, None, ref)
    one, two = (find_soft_margin(near, np.array(p), ref, scan=1) for p in ((6.0, 0.0, 0.0), (0.0, -5.0, 4.0)))
    assert one is not None
    assert two is not None
    apart, _ = cKDTree(one.vertices).query(two.vertices)
    assert apart.mean() < 0.6


@pytest.mark.parametrize(("radii", "contrast"), [((8.0, 8.0, 8.0), 25.0), ((12.0, 12.0, 16.0), -20.0)])
def test_the_last_digit_of_the_input_moves_the_volume_by_next_to_nothing(
    radii: tuple[float, float, float], contrast: float
) -> None:
    """The point by 1e-9 mm, every voxel to a neighbouring number: volumes within 0.5 % (own limit).

    With the fit by steps that laid the rays before, 1e-9 mm moved the volume of the small ball by 18 %.
    """
    inside = SOFT_HU + contrast
    volume = rendered(Shell(radii=radii, shell_hu=inside, core_hu=inside), noise=NOISE, fwhm=1.2)
    ref = replace(reference(volume, noise=NOISE), noise_4mm_hu=NOISE / 8.7)
    up = np.random.default_rng(5).random(volume.hu.shape) < 0.5
    rounded = replace(volume, hu=np.nextafter(volume.hu, np.where(up, np.inf, -np.inf).astype(np.float32)))
    volumes = []
    for given, point in ((volume, OFF), (volume, OFF + np.array([1e-9, 0.0, 0.0])), (rounded, OFF)):
        outline = find_soft_margin(neighbourhood(given, None, ref), point, ref, scan=1)
        assert outline is not None
        volumes.append(outline.volume_mm3)
    assert (max(volumes) - min(volumes)) / min(volumes) < 0.005, volumes


@pytest.mark.parametrize("radii", [(10.0, 10.0, 10.0), (12.0, 12.0, 16.0), (20.0, 11.0, 8.0)])
def test_the_body_of_an_ellipsoid_is_itself_and_moves_no_more_than_its_surface(
    radii: tuple[float, float, float],
) -> None:
    """Second moments of a solid ellipsoid are V / 5 a^2 along each axis (closed form); alike axes do not turn it."""
    mesh = RayMesh.of(1000)
    turn = Rotation.from_euler("xyz", (20.0, 40.0, 70.0), degrees=True).as_matrix()
    centre = np.array([3.0, -2.0, 7.0])
    vertices = centre + (mesh.directions * radii) @ turn.T
    body = body_of(vertices, mesh.faces)
    assert body.centre == pytest.approx(centre, abs=0.01)
    assert body.shape == pytest.approx(turn @ np.diag(radii) @ turn.T, rel=0.01, abs=0.01)
    shaken = body_of(vertices + np.random.default_rng(1).normal(scale=1e-9, size=vertices.shape), mesh.faces)
    assert np.abs(shaken.shape - body.shape).max() < 1e-8


@pytest.mark.parametrize("reach", [0.5, 0.6])
def test_a_mass_around_mineral_that_fades_outward_is_followed(reach: float) -> None:
    """Mineral that fades out half way to the margin: noise is not read along its slope (before, nothing was seen)."""
    size = 18.0
    shell = Shell(radii=(size, size, size), shell_hu=SOFT_HU - 25.0, core_hu=SOFT_HU - 25.0)
    volume = rendered(shell, noise=NOISE, fwhm=1.2)
    share = np.clip((reach - np.linalg.norm(volume.grid.world_of_all(), axis=-1) / size) / 0.3, 0.0, 1.0)
    volume = replace(volume, hu=(volume.hu + 220.0 * share**2 * (3.0 - 2.0 * share)).astype(np.float32))
    ref = replace(reference(volume, noise=NOISE), noise_4mm_hu=NOISE / 8.7)
    around = (reach * size + 0.5) * RayMesh.of(200).directions
    outline = find_soft_margin(neighbourhood(volume, None, ref), np.zeros(3), ref, scan=1, tissue_at=around)
    assert outline is not None
    assert outline.volume_mm3 == pytest.approx(shell.volume_mm3, rel=0.03)
    assert (outline.supported > 0.0).mean() > 0.8
