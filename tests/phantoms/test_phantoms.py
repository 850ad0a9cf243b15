"""The outside judge judged: closed forms, published check values, and its own independence."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from coarse_truth import coarse_truth
from scipy import ndimage

import phantoms
from phantoms import load_history, names, random_history
from phantoms.bones import Bone
from phantoms.described import HistoryError
from phantoms.lesion import Lesion
from phantoms.limb import Limb
from phantoms.physics import at_120, mixed, slope
from phantoms.render import Frame, Kernel, blur_and_noise, render
from phantoms.scene import Placed, Scene
from phantoms.truth import truth

PLAIN_LIMB = Limb(centre=(0.0, 0.0), radius=60.0, oval=0.0, lobe=0.0, taper=0.0, fat=5.0, fat_uneven=0.0)


def shell(outer: float = 15.0, thickness: float = 2.0, hu: float = 600.0, kvp: float = 120.0, **other: object) -> Scene:
    """A spherical shell of ``hu`` in a soft sphere that equals the muscle around it."""
    scene = Scene(PLAIN_LIMB, (), (), kvp)
    c = (hu - scene.muscle_hu) / (slope(kvp) - scene.muscle_hu / 3156)
    lesion = Lesion(
        centre=(0.0, 0.0, 0.0), radii=(outer,) * 3, lobes=0.0, shell_mm=thickness, shell_uneven=0.0, fuzz_mm=0.0,
        mineral_mg=c, mineral_uneven=0.0, soft_hu=0.0, **other,
    )  # fmt: skip
    return replace(scene, lesions=(lesion,))


def frame(shape: tuple[int, int, int], spacing: tuple[float, float, float], offset: float = 0.0) -> Frame:
    affine = np.zeros((4, 4))
    affine[2, 0], affine[1, 1], affine[0, 2], affine[3, 3] = spacing[0], spacing[1], spacing[2], 1.0
    middle = (np.array(shape) - 1) / 2
    affine[:3, 3] = -affine[:3, :3] @ middle + offset
    return Frame(shape, affine, np.eye(4), spacing[0])


def turned(degrees: float) -> np.ndarray:
    a = np.radians(degrees)
    matrix = np.eye(4)
    matrix[:2, :2] = [[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]]
    matrix[:3, 3] = (7.0, -11.0, 23.0)
    return matrix


# ---- independence ------------------------------------------------------------------------------


def test_imports_nothing_of_what_it_judges() -> None:
    for path in Path(phantoms.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                assert not any(alias.name.split(".")[0] == "mineralize" for alias in node.names), path.name
            elif isinstance(node, ast.ImportFrom):
                assert (node.module or "").split(".")[0] != "mineralize", path.name


# ---- physics -----------------------------------------------------------------------------------


def test_hydroxyapatite_in_water_as_computed_from_cross_sections() -> None:
    """120 kVp, 50/100/200/400/800 mg/cm3 in water: 68.5/136.9/273.8/547.6/1095.2 HU (XRayLib)."""
    found = mixed(np.zeros(5), np.array([50.0, 100, 200, 400, 800]), slope(120))
    np.testing.assert_allclose(found, [68.5, 136.9, 273.8, 547.6, 1095.2], rtol=1e-3)


def test_threshold_equivalence_of_100_and_120_kv() -> None:
    """147 HU at 100 kV is 130 HU at 120 kV (Nakazato 2009, J Cardiovasc Comput Tomogr 3(6)); +-3 HU."""
    assert float(at_120(np.array(147.0), 100.0, 0.0)) == pytest.approx(130.0, abs=3.0)


# ---- truth against closed forms ------------------------------------------------------------------


def test_sphere_and_shell_truth() -> None:
    """A 40 mm sphere is 33.51 mL, a 2 mm shell of it 9.08 mL (geometry); everything else follows from radii."""
    scene = shell(outer=20.0)
    found = truth(scene, turned(25.0), 1.35)
    volume = 4 / 3 * np.pi * 20**3
    hollow = 4 / 3 * np.pi * (20**3 - 18**3)
    concentration = scene.lesions[0].mineral_mg
    rim_volume = 4 / 3 * np.pi * (20**3 - 16**3)
    assert volume / 1000 == pytest.approx(33.51, abs=0.01)
    assert hollow / 1000 == pytest.approx(9.08, abs=0.01)
    assert found["lesion_volume"] == pytest.approx(volume, rel=0.002)
    assert found["mineral_volume"] == pytest.approx(hollow, rel=0.01)
    assert found["mineral_mass"] == pytest.approx(hollow * concentration / 1000, rel=0.01)
    assert found["mineral_fraction"] == pytest.approx(hollow / volume, rel=0.01)
    assert found["inradius"] == pytest.approx(20.0, abs=0.1)
    for name in ("longest_diameter", "axial_diameter", "axial_perpendicular"):
        assert found[name] == pytest.approx(40.0, abs=0.15), name
    share = hollow / rim_volume
    rim = scene.muscle_hu + share * (600.0 - scene.muscle_hu)
    assert found["rim_attenuation"] == pytest.approx(rim, rel=0.01)
    assert found["core_attenuation"] == pytest.approx(scene.muscle_hu, abs=0.1)
    assert found["rim_core_ratio"] == pytest.approx((1000 + rim) / (1000 + scene.muscle_hu), rel=0.005)
    assert found["rim_peak_attenuation"] == pytest.approx(600.0, abs=2)
    assert found["rim_completeness"] == 1.0
    assert found["largest_gap"] == 0.0
    assert found["rim_thickness"] == pytest.approx(2.0, abs=0.06)
    assert found["zonal_contrast"] == pytest.approx(1.0, abs=1e-3)
    assert found["core_soft_fraction"] == 1.0


def test_ellipsoid_diameters() -> None:
    """Axes 24 x 30 x 44 mm, upright and turned about z: the axial plane through the centre holds the two short axes."""
    scene = shell(outer=1.0)
    lesion = replace(scene.lesions[0], radii=(15.0, 12.0, 22.0))
    found = truth(replace(scene, lesions=(lesion,)), turned(40.0), 1.35)
    assert found["longest_diameter"] == pytest.approx(44.0, abs=0.1)
    assert found["axial_diameter"] == pytest.approx(30.0, abs=0.15)
    assert found["axial_perpendicular"] == pytest.approx(24.0, abs=0.3)
    assert found["lesion_volume"] == pytest.approx(4 / 3 * np.pi * 15 * 12 * 22, rel=0.003)


def test_coverage_is_the_share_of_the_area() -> None:
    scene = shell(outer=18.0)
    lesion = replace(scene.lesions[0], coverage=0.7, gap_soft_deg=2.0, gaps=((0.2, 0.9, 0.1),))
    found = truth(replace(scene, lesions=(lesion,)), np.eye(4), 1.35)
    assert found["rim_completeness"] == pytest.approx(0.7, abs=0.02)
    assert found["largest_gap"] == pytest.approx(0.3, abs=0.03)
    facing = np.array([found["largest_gap_l"], found["largest_gap_p"], found["largest_gap_s"]])
    assert facing @ np.array([0.2, 0.9, 0.1]) / np.linalg.norm([0.2, 0.9, 0.1]) > 0.9


def test_gap_between_sphere_and_cylinder() -> None:
    """A sphere of radius 12 whose centre is 29.5 mm from the axis of a cylinder of radius 14: 3.5 mm between them."""
    bone = Bone(bow=(0, 0), bow_twist=0, oval=0, flare=0, flare_shift=0, ridge=0, bump=0)
    scene = shell(outer=12.0)
    lesion = replace(scene.lesions[0], centre=(29.5, 0.0, 0.0))
    placed = (Placed(bone, np.eye(4)),)
    found = truth(replace(scene, lesions=(lesion,), bones=placed), turned(10.0), 1.35)
    assert found["cortex_gap"] == pytest.approx(3.5, abs=0.05)
    assert found["cortex_contact_area"] == 0.0
    assert found["cleft_fraction"] == 1.0


def test_lesion_on_bone_leaves_the_bone_out() -> None:
    bone = Bone(bow=(0, 0), bow_twist=0, oval=0, flare=0, flare_shift=0, ridge=0, bump=0, radius=14.0)
    scene = shell(outer=12.0)
    lesion = replace(scene.lesions[0], centre=(23.0, 0.0, 0.0))
    found = truth(replace(scene, lesions=(lesion,), bones=(Placed(bone, np.eye(4)),)), np.eye(4), 1.35)
    rng = np.random.default_rng(1)
    cloud = rng.uniform(-12, 12, (400_000, 3)) + np.array([23.0, 0.0, 0.0])
    inside = (np.linalg.norm(cloud - [23.0, 0, 0], axis=1) < 12) & (np.hypot(cloud[:, 0], cloud[:, 1]) > 14)
    assert found["lesion_volume"] == pytest.approx(inside.mean() * 24**3, rel=0.01)
    assert found["cortex_gap"] == 0.0
    assert found["cortex_contact_area"] > 100.0


# ---- the renderer --------------------------------------------------------------------------------


def test_blurred_shell_arithmetic() -> None:
    """30 mm shell of 2 mm and 600 in 50 HU, blur 1.0 mm, slice 1.5 mm, pixel 0.75 mm, no noise.

    The volume above 130 HU is 1.47 times the true one and the background-subtracted mass 1.00 times; at 1000 HU
    1.58 times. Derived arithmetic; +-5 % for grid and response.
    """
    for hu, expected in ((600.0, 1.47), (1000.0, 1.58)):
        scene = shell(outer=15.0, hu=hu)
        scene = replace(scene, limb=replace(PLAIN_LIMB, muscle_offset=50.0 - 43.1, texture=0.0))
        lesion = replace(scene.lesions[0], mineral_mg=(hu - 50) / (slope(120) - 50 / 3156))
        scene = replace(scene, lesions=(lesion,))
        image = render(scene, frame((28, 56, 56), (1.5, 0.75, 0.75), 0.21), Kernel(1.0), 0.0, np.random.default_rng(0))
        voxel = 1.5 * 0.75 * 0.75
        true = 4 / 3 * np.pi * (15**3 - 13**3)
        assert true / 1000 == pytest.approx(4.93, abs=0.02)
        assert float((image >= 130).sum()) * voxel / true == pytest.approx(expected, rel=0.05)
        mass = float((image - 50.0).sum(dtype=np.float64)) * voxel / (hu - 50) / true
        assert mass == pytest.approx(1.0, abs=0.01)


def test_slab_peak_after_blur() -> None:
    """A 1 mm slab keeps 76 % of its contrast after a blur of 1.0 mm full width at half maximum (derived, +-2 %)."""
    fine = np.zeros((1, 256, 256), np.float32)
    fine[:, :, 118:138] = 1000.0  # 1 mm of 0.05 mm pixels
    out = blur_and_noise(fine, 0.05, Kernel(1.0), 0.0, np.random.default_rng(0))
    assert float(out[0, 128].max()) / 1000 == pytest.approx(0.76, abs=0.02)


@pytest.mark.parametrize("kernel", [Kernel(1.35), Kernel(0.85, 0.12)])
def test_kernel_keeps_the_mean_and_noise_has_its_size(kernel: Kernel) -> None:
    rng = np.random.default_rng(3)
    block = np.zeros((4, 128, 128), np.float32)
    block[:, 40:80, 50:90] = 500.0
    clean = blur_and_noise(block, 0.8, kernel, 0.0, rng)
    assert float(clean.sum(dtype=np.float64)) == pytest.approx(float(block.sum(dtype=np.float64)), rel=1e-4)
    noisy = blur_and_noise(block, 0.8, kernel, 20.0, rng) - clean
    assert float(noisy.std()) == pytest.approx(20.0, rel=0.04)
    beside = float((noisy[:, :, 1:] * noisy[:, :, :-1]).mean() / noisy.var())
    across = float((noisy[1:] * noisy[:-1]).mean() / noisy.var())
    assert beside > 0.25 if not kernel.boost else beside < 0.35
    assert abs(across) < 0.05


def test_few_samples_agree_with_many() -> None:
    """The adaptive sampling against the scene averaged on a fine lattice, without blur by a kernel."""
    history = load_history("beside-cortex", seed=4).with_scans(matrix=64, pixel_mm=2.0, slices=5, slice_mm=2.0)
    view, scene = history.frame(0), history.scene(0)
    from phantoms.render import sample_slab

    quick = sample_slab(scene, view, 2, 4)
    n = 8
    fine = (np.arange(n) + 0.5) / n - 0.5
    index = np.stack(np.meshgrid(np.arange(2, 4), np.arange(64), np.arange(64), indexing="ij"), axis=-1).reshape(-1, 3)
    total = np.zeros(len(index))
    m = view.index_to_body
    for dz in fine:
        for dy in fine:
            for dx in fine:
                total += scene.hu(((index + np.array([dz, dy, dx])) @ m[:3, :3].T + m[:3, 3]).astype(np.float32))
    exact = (total / n**3).reshape(quick.shape)
    assert abs(float((quick - exact).mean())) < 0.3
    assert float(np.sqrt(((quick - exact) ** 2).mean())) < 8.0


def test_outline_points_lie_between_in_and_out() -> None:
    history = load_history("broad-attachment", seed=6)
    surface = history.surface(1)
    step = 0.15 * surface.normals
    assert history.contains(1, surface.world - step).mean() > 0.99
    assert history.contains(1, surface.world + step).mean() < 0.01
    assert history.contains(1, history.centroid(1))
    volume = float((surface.world * surface.normals).sum(axis=1) @ surface.area) / 3  # divergence theorem
    assert volume == pytest.approx(history.truth(1)["lesion_volume"], rel=0.01)


@pytest.mark.parametrize("i", [1, 2, 3])
def test_mineral_mass_survives_rendering(i: int) -> None:
    """80, 140 and 100 kV, 1 to 3 mm, soft and sharp: what the mineral adds to all voxels is its mass, to 0.5 %."""
    history = load_history("four-scanners", seed=3)
    lesion = replace(history.lesions(i)[0], core_fat=0.0, flocculent=0.4)
    scene = replace(history.scene(i), lesions=(lesion,))
    bare = replace(scene, lesions=(replace(lesion, mineral_mg=0.0, haze_mg=0.0),))
    scan = history.scans[i]
    view = history.resized(96, 0.9, round(60 / scan["slice_mm"]), scan["slice_mm"]).frame(i)
    # a window of the limb around the lesion is enough
    centre = history.centroid(i)
    affine = view.affine.copy()
    affine[:3, 3] = centre - affine[:3, :3] @ ((np.array(view.shape) - 1) / 2)
    view = replace(view, affine=affine)
    kernel = Kernel(0.85, 0.12) if scan["kernel"] == "sharp" else Kernel(1.35)
    images = [render(s, view, kernel, 0.0, np.random.default_rng(0)) for s in (scene, bare)]
    added = float((images[0] - images[1]).sum(dtype=np.float64)) * float(np.prod(view.spacing)) / 1000
    background = scene.muscle_hu + lesion.soft_hu
    mass = added / (scene.slope - background / 3156)
    expected = truth(scene, history.to_body(i), 1.35)["mineral_mass_all"]
    assert mass == pytest.approx(expected, rel=0.005)


def test_alignment_maps_the_lesion_and_the_bone() -> None:
    history = load_history("maturing-shell", seed=2)
    matrix = history.alignment(0, 3)
    mapped = matrix[:3, :3] @ history.centroid(0) + matrix[:3, 3]
    assert np.linalg.norm(mapped - history.centroid(3)) < 1.0  # the lesion changes a little
    bone = history.bones()[0].mid_cortex((-20, 20))
    for i in (0, 3):
        view = history.frame(i).index_to_body
        index = np.linalg.solve(view, np.column_stack([bone, np.ones(len(bone))]).T)[:3]
        scan = history.render(i, noise=0.0) if i == 0 else None
        if scan is not None:
            inside = ((index >= 0) & (index < np.array(scan.hu.shape)[:, None] - 1)).all(axis=0)
            values = ndimage.map_coordinates(scan.hu, index[:, inside], order=1)
            assert float(np.median(values)) > 1300.0


# ---- histories -----------------------------------------------------------------------------------


@pytest.fixture
def over_fewer_cells() -> Iterator[None]:
    with coarse_truth():
        yield


@pytest.mark.usefixtures("over_fewer_cells")
def test_the_maturing_shell_tells_the_story_of_the_trade() -> None:
    """Common practice, no source: a ring around a lucent centre after weeks, clearly denser after half a year, by nine
    months a bony shell with a fatty centre, calm muscle around, and no growth."""
    history = load_history("maturing-shell", seed=1)
    days = [scan["day"] for scan in history.scans]
    rows = [history.truth(i) for i in range(len(history))]
    assert days == sorted(days)
    assert len(rows) == 5
    assert 0.3 < rows[0]["rim_completeness"] < 0.8
    assert rows[-1]["rim_completeness"] > 0.99
    for name in ("mineral_mass", "rim_core_ratio", "rim_attenuation", "rim_thickness", "zonal_contrast"):
        values = [row[name] for row in rows]
        assert values == sorted(values), name
    assert all(row["zonal_contrast"] > 0.5 for row in rows)
    assert rows[-1]["core_fat_fraction"] > 0.8
    assert rows[0]["core_fat_fraction"] == 0
    assert rows[0]["perilesional_deficit"] > 5
    assert abs(rows[-1]["perilesional_deficit"]) < 1.5
    assert rows[-1]["lesion_volume"] < rows[2]["lesion_volume"]


@pytest.mark.usefixtures("over_fewer_cells")
def test_four_scanners_differ_in_the_scanner_only() -> None:
    history = load_history("four-scanners", seed=5)
    assert {s["kvp"] for s in history.scans} == {80, 100, 120, 140}
    assert {s["kernel"] for s in history.scans} == {"soft", "sharp"}
    rows = [history.truth(i) for i in range(4)]
    for name in ("lesion_volume", "mineral_mass", "rim_core_ratio", "rim_completeness"):
        values = np.array([row[name] for row in rows])
        # a fatty core itself reads differently at another tube voltage: under 1 % of the ratio
        assert np.ptp(values) / values.mean() < 0.01, name
    assert rows[1]["rim_attenuation"] > 1.1 * rows[0]["rim_attenuation"]  # 80 kV against 120 kV


@pytest.mark.usefixtures("over_fewer_cells")
def test_reversed_zoning_is_reversed() -> None:
    history = load_history("reversed-zoning", seed=0)
    first, last = history.truth(0), history.truth(len(history) - 1)
    assert first["zonal_contrast"] < -0.9
    assert last["zonal_contrast"] < -0.9
    assert last["lesion_volume"] > 2 * first["lesion_volume"]
    assert first["cortex_gap"] > 3
    assert last["cortex_gap"] < 0.3


@pytest.mark.usefixtures("over_fewer_cells")
def test_special_histories() -> None:
    none = load_history("no-mineral-yet", seed=0).truth(0)
    assert none["mineral_mass"] == 0
    assert none["rim_completeness"] == 0
    assert np.isnan(none["rim_thickness"])
    gap = load_history("beside-cortex", seed=0).truth(1)["cortex_gap"]
    assert 0.8 <= gap <= 2.2
    cut = load_history("cut-by-field", seed=0)
    assert [cut.lesion_in_view(i) for i in range(3)] == [True, False, False]
    bones = load_history("two-bones", seed=0)
    moved = [bones.scene(i).bones[1].from_body for i in range(3)]
    assert not np.allclose(moved[0], moved[1])
    assert not np.allclose(moved[1], moved[2])
    mirrored = load_history("mirrored", seed=0)
    assert np.linalg.det(mirrored.to_body(1)[:3, :3]) == pytest.approx(-1)
    assert np.linalg.det(mirrored.to_body(0)[:3, :3]) == pytest.approx(1)


@pytest.mark.parametrize("name", names())
def test_every_history_can_be_drawn(name: str) -> None:
    history = load_history(name, seed=3).with_scans(matrix=64, pixel_mm=2.7, slices=3, slice_mm=3.0)
    for i in (len(history) // 2,):  # the spoiled one where there is one
        scan = history.render(i)
        assert scan.hu.dtype == np.float32
        assert scan.hu.shape == (3, 64, 64)
        assert np.isfinite(scan.hu).all()
        assert scan.hu.min() > -1500
        np.testing.assert_allclose(scan.directions.T @ scan.directions, np.eye(3), atol=1e-12)
        assert np.linalg.det(scan.directions[:, [2, 1, 0]]) == pytest.approx(1)


def test_the_same_seed_gives_the_same_scan() -> None:
    one, two, other = (
        load_history("demo", seed=s).with_scans(matrix=64, pixel_mm=2.2, slices=3, slice_mm=3.0).render(1)
        for s in (7, 7, 8)
    )
    np.testing.assert_array_equal(one.hu, two.hu)
    np.testing.assert_array_equal(one.to_body, two.to_body)
    assert not np.array_equal(one.to_body, other.to_body)


def test_random_histories_keep_to_the_declared_distribution() -> None:
    longest, touching = [], 0
    for seed in range(24):
        history = random_history(seed)
        for scan in history.scans:
            assert 0.6 <= scan["slice_mm"] <= 3.0
            assert 5 <= scan["noise"] <= 40
            assert scan["kvp"] in (80, 100, 120, 140)
        lesion = history.lesions(0)[0]
        longest.append(2 * max(lesion.radii))
        touching += history.table["lesion"]["place"]["gap_mm"] <= 0
        assert history.lesion_in_view(0), seed
    assert min(longest) < 20
    assert max(longest) > 70
    assert 1 < touching < 14


def test_unknown_names_are_refused_in_words() -> None:
    with pytest.raises(HistoryError, match=r"no history 'nothing'; there are: .*maturing-shell"):
        load_history("nothing")
    with pytest.raises(HistoryError, match="unknown scan settings: voltage"):
        load_history("demo").with_scans(voltage=120)
