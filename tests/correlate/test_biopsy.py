"""Where the biopsy came from, against closed forms: a sphere whose depths, zones and paths are known exactly."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial import ConvexHull

from mineralize import correlate
from mineralize.align import Alignment
from mineralize.base import Acquisition, Grid, InMemory, Rigid, Scan, Volume
from mineralize.lesion import Outline
from mineralize.measure import RimMap
from mineralize.timeline import BiopsySite, Event, Timeline

CENTRE = np.array([31.0, -12.0, 47.0])
RADIUS = 15.0
POSE = Rigid.from_vectors((0.2, -0.1, 0.5), (7.0, -4.0, 11.0))
"""LPS mm of scan 1 to LPS mm of scan 2."""


def sphere(scan: int, centre: np.ndarray, radius: float = RADIUS, spread: float = 0.5) -> Outline:
    """Points spread evenly over a sphere (Fibonacci), joined by their convex hull, normals outward."""
    n = 2500
    k = np.arange(n) + 0.5
    polar, turn = np.arccos(1 - 2 * k / n), np.pi * (1 + 5**0.5) * k
    unit = np.stack([np.cos(turn) * np.sin(polar), np.sin(turn) * np.sin(polar), np.cos(polar)], axis=1)
    faces = ConvexHull(unit).simplices
    a, b, c = (unit[faces[:, i]] for i in range(3))
    inward = np.einsum("ij,ij->i", np.cross(b - a, c - a), a + b + c) < 0
    faces[inward] = faces[inward][:, ::-1]
    return Outline(scan, centre + radius * unit, faces, np.ones(n), "mineral shell", spread)


def rim_map(outline: Outline, centre: np.ndarray, gap_towards: np.ndarray | None = None) -> RimMap:
    """Mineral all round but for a cap of 40 degrees."""
    direction = (outline.vertices - centre) / RADIUS
    state = np.ones(len(direction))
    if gap_towards is not None:
        state[direction @ gap_towards > np.cos(np.radians(40))] = 0
    size = np.full(len(direction), 4 * np.pi * RADIUS**2 / len(direction))
    return RimMap(
        outline.scan, direction, size, np.where(state == 1, 500.0, 60.0), np.where(state == 1, 2.0, np.nan), state
    )


def scene(centre: np.ndarray, value: float = 40.0, track: tuple[np.ndarray, np.ndarray] | None = None) -> Volume:
    """Muscle of 55 HU round a ball of ``value`` HU; asymmetric grid; a track of gas 2 mm across on request."""
    grid = Grid.from_parts((46, 84, 76), (2.0, 0.9, 1.1), tuple(centre - np.array([40.0, 36.0, 44.0])))
    world = grid.world_of_all()
    hu = np.where(np.linalg.norm(world - centre, axis=-1) < RADIUS, value, 55.0)
    if track is not None:
        a, b = track
        along = (b - a) / np.linalg.norm(b - a)
        t = np.clip((world - a) @ along, 0, np.linalg.norm(b - a))
        hu[np.linalg.norm(world - (a + t[..., None] * along), axis=-1) < 1.2] = -700.0
    return Volume(hu.astype(np.float32), grid)


def case(
    *sites: BiopsySite, days: tuple[int, ...] = (30, 90), volumes: tuple[Volume, ...] = (), **more: object
) -> Timeline:
    held = volumes or (scene(CENTRE), scene(POSE.apply(CENTRE), 10.0))
    scans = tuple(
        Scan(n, day, volume.grid, Acquisition(), InMemory(volume))
        for n, (day, volume) in enumerate(zip(days, held, strict=True), start=1)
    )
    return replace(Timeline(scans, day_zero="onset", biopsies=sites), **more)  # type: ignore[arg-type]


def alignments(**changed: object) -> tuple[Alignment, Alignment]:
    moved = Alignment(1, 2, POSE, 0.2, 0.9, "ok", "", predicted_sd_mm=0.3)
    return replace(moved, **changed), Alignment(2, 2, Rigid.identity(), 0.0, 1.0, "ok", "")  # type: ignore[arg-type]


OUTLINES = (sphere(1, CENTRE), sphere(2, POSE.apply(CENTRE)))


def at(depth: float, towards: tuple[float, float, float] = (0.0, -1.0, 0.0)) -> tuple[float, float, float]:
    """The point at that depth below the outline, in that direction from the centre (scan 1)."""
    x, y, z = CENTRE + (RADIUS - depth) * np.asarray(towards) / np.linalg.norm(towards)
    return float(x), float(y), float(z)


@pytest.mark.parametrize(
    ("depth", "zone"),
    [(1.0, "rim"), (3.8, "rim"), (4.2, "middle"), (7.2, "middle"), (7.8, "core"), (14.0, "core"), (-3.0, "outside")],
)
def test_depth_and_zone_of_a_point(depth: float, zone: str) -> None:
    # rim: depth <= min(4 mm, D/3); core: depth > D/2 with D = 15 mm, by definition
    (report,) = correlate.biopsy_reports(case(BiopsySite(1, at(depth))), OUTLINES, alignments())
    site = report.site
    assert site.depth_mm == pytest.approx(depth, abs=0.08)
    assert site.inradius_mm == pytest.approx(RADIUS, abs=0.1)
    assert site.normalised_depth == pytest.approx(depth / RADIUS, abs=0.01)
    assert site.zone == zone
    assert report.zones == (() if zone == "outside" else (zone,))
    assert site.direction_words == ("near the centre" if depth > 13 else "anterior of the centre")
    assert f"{abs(site.depth_mm):.1f}\N{NARROW NO-BREAK SPACE}mm" in report.text
    assert site.depth_low_mm == pytest.approx(site.depth_mm - 0.5)


def test_zone_shares_follow_the_volumes_of_nested_spheres() -> None:
    # closed form: share deeper than d is ((R - d)/R)^3
    (report,) = correlate.biopsy_reports(case(BiopsySite(1, at(5.0))), OUTLINES)
    share = dict(report.lesion_share)
    assert share["rim"] == pytest.approx(1 - (11 / 15) ** 3, abs=0.02)
    assert share["middle"] == pytest.approx((11 / 15) ** 3 - 0.125, abs=0.02)
    assert share["core"] == pytest.approx(0.125, abs=0.02)


def test_a_straight_path_to_the_centre_crosses_each_zone_over_its_depth() -> None:
    site = BiopsySite(1, at(15.0), at(-25.0), 40)
    (report,) = correlate.biopsy_reports(case(site), OUTLINES, alignments())
    path = dict(report.site.path_mm)
    assert path["rim"] == pytest.approx(4.0, abs=0.3)
    assert path["middle"] == pytest.approx(3.5, abs=0.3)
    assert path["core"] == pytest.approx(7.5, abs=0.3)
    assert report.zones == ("rim", "middle", "core")
    # the needle crossed all zones, but what was kept may be from the target alone
    assert report.caution.startswith("If tissue was kept from the target only")
    assert "only the central zone was sampled" in report.caution
    assert report.site.direction_words == "near the centre"


def test_a_path_that_ends_in_the_intermediate_zone_may_have_sampled_it_alone() -> None:
    (report,) = correlate.biopsy_reports(case(BiopsySite(1, at(6.0), at(-25.0), 40)), OUTLINES, alignments())
    assert report.zones == ("rim", "middle")
    assert "only the intermediate zone was sampled" in report.caution


def test_the_stretches_of_a_path_are_its_lengths_in_order() -> None:
    # closed form on a sphere: 25 mm outside, then 4.0, 3.5 and 7.5 mm down to its middle, 40 mm in all
    (report,) = correlate.biopsy_reports(case(BiopsySite(1, at(15.0), at(-25.0), 40)), OUTLINES, alignments())
    runs = report.site.runs_mm
    assert [zone for zone, _, _ in runs] == ["outside", "rim", "middle", "core"]
    np.testing.assert_allclose([stop for _, _, stop in runs], [25.0, 29.0, 32.5, 40.0], atol=0.3)
    assert [start for _, start, _ in runs] == [0.0, *(stop for _, _, stop in runs[:-1])]


def test_the_drawing_along_the_needle_is_that_of_nested_spheres() -> None:
    # a plane through the middle of a sphere cuts its zones in circles of 15, 11 and 7.5 mm
    (report,) = correlate.biopsy_reports(case(BiopsySite(1, at(15.0), at(-20.0), 40)), OUTLINES, alignments())
    drawing = report.section
    assert drawing is not None
    for lines, radius in ((drawing.outline, 15.0), (drawing.intermediate, 11.0), (drawing.central, 7.5)):
        (line,) = lines
        away = np.linalg.norm(np.array(line) - drawing.target, axis=1)
        np.testing.assert_allclose(away, radius, atol=0.4)
    assert drawing.entry is not None
    assert np.linalg.norm(np.subtract(drawing.entry, drawing.target)) == pytest.approx(35.0, abs=0.01)
    assert drawing.edges == ("anterior", "left", "posterior", "right")
    assert drawing.entry[1] < drawing.target[1]  # the entry is anterior, and anterior is up


PICTURES = {
    "periphery": ("zoning.periphery",),
    "reversed": ("zoning.reversed",),
    "centre": ("zoning.centre",),
    "even": ("zoning.even",),
    "attached": ("zoning.periphery", "relation.contact"),
    "growing": ("zoning.periphery", "late.grew"),
    "none": ("zoning.none",),
    "unknown": (),
}


@pytest.mark.parametrize("picture", PICTURES)
@pytest.mark.parametrize("depth", [13.0, 2.0, 6.0])
def test_what_a_sample_of_one_zone_means_follows_from_the_measured_picture(picture: str, depth: float) -> None:
    """Only a lesion denser at the periphery, clear of bone and not growing late is laid beside myositis ossificans.

    Crombe 2023: 18 of 26 mineralised extraskeletal osteosarcomas amorphous; Jelinek 1996: 25 of 28 and 2 of 32;
    Svajdler 2019: of 27 reviewed 3 referred as osteosarcoma and 7 with a question of sarcoma.
    """
    said = tuple(correlate.Finding("", "", (), "ok", key=key) for key in PICTURES[picture])
    (report,) = correlate.biopsy_reports(case(BiopsySite(1, at(depth))), OUTLINES, alignments(), said=said)
    warned = report.caution
    departs = picture in ("reversed", "centre", "even", "attached", "growing")
    assert ("is not the one described of myositis ossificans" in warned) == departs
    assert ("Mineral here is denser at the periphery" in warned) == (picture == "periphery")
    assert ("18 of 26" in warned) == (picture in ("reversed", "centre", "even"))
    assert ("25 of 28 high-grade and 2 of 32 low-grade" in warned) == (picture == "attached")
    assert ("is open" in warned) == (picture in ("none", "unknown"))
    if departs:
        assert "27 reviewed" not in warned  # it would invite to discount a sarcoma
        assert "do not account for an atypical sample" in warned
    if picture in ("none", "unknown"):
        assert "27 reviewed" in warned
        assert "16 of 42" in warned  # both accounts, beside each other


def test_a_target_in_mineral_is_said_to_be_no_cellular_centre() -> None:
    dense = (scene(CENTRE, 534.0), scene(POSE.apply(CENTRE), 10.0))
    (report,) = correlate.biopsy_reports(case(BiopsySite(1, at(13.0)), volumes=dense), OUTLINES, alignments())
    assert "The target lies in mineral (534\N{NARROW NO-BREAK SPACE}HU)" in report.caution
    (report,) = correlate.biopsy_reports(case(BiopsySite(1, at(13.0))), OUTLINES, alignments())
    assert "in mineral" not in report.caution


def test_a_site_in_soft_tissue_carried_by_bone_is_never_plainly_trusted() -> None:
    (report,) = correlate.biopsy_reports(case(BiopsySite(1, at(9.0))), OUTLINES, alignments())
    assert report.carried[0].trust == "caution"
    assert "muscle and lesion may have moved" in report.carried[0].reason


@pytest.mark.parametrize(
    ("target", "entry", "words"),
    [
        (13.0, None, "Only the central zone was reached"),
        (2.0, -20.0, "Only the outer zone was reached"),
        (6.0, None, "Only the intermediate zone was reached"),
        (-4.0, -20.0, "No part of the lesion was reached"),
    ],
)
def test_caution_when_only_one_zone_was_reached(target: float, entry: float | None, words: str) -> None:
    # Ackerman 1958; Ital J Pediatr 2020, 10.1186/s13052-020-00874-9: centre-only samples read as sarcoma
    site = BiopsySite(1, at(target), None if entry is None else at(entry), 40)
    (report,) = correlate.biopsy_reports(case(site), OUTLINES, alignments())
    assert words in report.caution
    assert report.trust == "caution"
    assert any("10.1186/s13052-020-00874-9" in s for s in report.sources)


def test_a_place_near_a_border_of_zones_is_in_doubt() -> None:
    (report,) = correlate.biopsy_reports(case(BiopsySite(1, at(3.8))), OUTLINES)
    assert "the zone may be intermediate zone" in report.caution
    (report,) = correlate.biopsy_reports(case(BiopsySite(1, at(2.0))), OUTLINES)
    assert "may be" not in report.caution


def test_attenuation_in_the_ball_and_none_outside_the_scan() -> None:
    (report,) = correlate.biopsy_reports(case(BiopsySite(1, at(12.0))), OUTLINES, alignments())
    assert report.site.ball_hu == pytest.approx(40.0, abs=1e-3)
    assert report.carried[0].ball_hu == pytest.approx(10.0, abs=1e-3)
    (report,) = correlate.biopsy_reports(case(BiopsySite(1, at(-80.0))), OUTLINES)
    assert report.site.ball_hu is None
    assert "not assessed, because the scan does not reach there" in report.text


def test_the_ball_averages_native_voxels_within_2_5_mm() -> None:
    # against a plain mean over voxel centres in the ball, written out here
    volume = scene(CENTRE)
    rng = np.random.default_rng(3)
    noisy = Volume((volume.hu + rng.normal(0, 30, volume.hu.shape)).astype(np.float32), volume.grid)
    point = np.array(at(9.1, (0.3, -1.0, 0.2)))
    near = np.linalg.norm(noisy.grid.world_of_all() - point, axis=-1) <= 2.5
    line = case(BiopsySite(1, at(9.1, (0.3, -1.0, 0.2))), days=(30,), volumes=(noisy,))
    (report,) = correlate.biopsy_reports(line, OUTLINES[:1])
    assert report.site.ball_hu == pytest.approx(float(noisy.hu[near].mean()), abs=1e-3)
    assert report.site.ball_sd_hu == pytest.approx(float(noisy.hu[near].std()), abs=1e-3)


def test_the_place_is_carried_by_the_alignment_with_its_error() -> None:
    site = BiopsySite(1, at(6.0, (1.0, 0.5, 0.2)), at(-20.0, (1.0, 0.5, 0.2)), 40)
    (report,) = correlate.biopsy_reports(case(site), OUTLINES, alignments())
    (other,) = report.carried
    assert other.scan == 2
    np.testing.assert_allclose(other.point, POSE.apply(site.target), atol=1e-9)
    assert other.depth_mm == pytest.approx(6.0, abs=0.08)
    assert other.error_mm == pytest.approx(1.96 * 0.3)
    assert other.depth_high_mm - other.depth_mm == pytest.approx(np.hypot(0.5, 1.96 * 0.3))
    assert (report.site.days_from_biopsy, other.days_from_biopsy) == (-10, 50)
    assert "10 days before the biopsy" in report.site.text
    assert "50 days after the biopsy" in other.text


def test_the_place_is_carried_the_other_way_too() -> None:
    target = tuple(POSE.apply(at(6.0)).tolist())
    (report,) = correlate.biopsy_reports(case(BiopsySite(2, target)), OUTLINES, alignments())
    np.testing.assert_allclose(report.carried[0].point, at(6.0), atol=1e-9)


def test_nothing_is_carried_by_an_alignment_that_is_not_trusted() -> None:
    bad = alignments(trust="withheld", reason="rotation about the shaft is not pinned")
    (report,) = correlate.biopsy_reports(case(BiopsySite(1, at(6.0))), OUTLINES, bad)
    assert report.carried[0].trust == "withheld"
    assert report.carried[0].point is None
    assert "not assessed, because the alignment is not trusted (rotation about the shaft" in report.carried[0].text
    assert report.site.depth_mm is not None
    (report,) = correlate.biopsy_reports(case(BiopsySite(1, at(6.0))), OUTLINES, ())
    assert "no alignment is available" in report.carried[0].text


def test_a_scan_without_outline_says_so() -> None:
    (report,) = correlate.biopsy_reports(case(BiopsySite(1, at(6.0))), (None, OUTLINES[1]), alignments())
    assert report.trust == "withheld"
    assert "not assessed, because the lesion was not outlined there" in report.text
    assert report.site.point == at(6.0)
    assert report.carried[0].zone == "middle"


def test_a_biopsy_in_a_scan_that_does_not_exist() -> None:
    (report,) = correlate.biopsy_reports(case(BiopsySite(7, at(6.0))), OUTLINES)
    assert report.trust == "withheld"
    assert "the case has no scan 7" in report.text


@pytest.mark.parametrize(
    ("angle", "state", "words"),
    [
        (0.0, "gap", "There is a gap in the shell where the path enters"),
        (40.0, "edge of a gap", "at the edge of a gap"),
        (90.0, "present", "There is shell where the path enters"),
    ],
)
def test_rim_where_the_path_enters(angle: float, state: str, words: str) -> None:
    towards = (np.sin(np.radians(angle)), -np.cos(np.radians(angle)), 0.0)
    maps = (rim_map(OUTLINES[0], CENTRE, np.array([0.0, -1.0, 0.0])), None)
    site = BiopsySite(1, at(8.0, towards), at(-20.0, towards), 40)
    (report,) = correlate.biopsy_reports(case(site), OUTLINES, alignments(), rim_maps=maps)
    assert report.site.rim_state == state
    assert words in report.site.text
    assert report.carried[0].rim_state == "not assessed"
    assert "The shell there was not assessed, because no map of the shell is available" in report.carried[0].text


@pytest.mark.parametrize(("code", "state"), [(2, "unresolved"), (3, "bone contact")])
def test_unresolved_rim_and_bone_are_told_from_gaps(code: int, state: str) -> None:
    whole = rim_map(OUTLINES[0], CENTRE)
    maps = (replace(whole, state=np.full(len(whole.state), code)), None)
    (report,) = correlate.biopsy_reports(case(BiopsySite(1, at(3.0))), OUTLINES, rim_maps=maps)
    assert report.site.rim_state == state


def test_gas_along_the_path_is_seen_only_in_a_scan_after_the_biopsy() -> None:
    entry, target = np.array(at(-15.0)), np.array(at(9.0))
    site = BiopsySite(1, at(9.0), at(-15.0), 60)
    moved = POSE.apply(CENTRE)
    volumes = (scene(CENTRE), scene(moved, track=(POSE.apply(entry), POSE.apply(target))))
    (report,) = correlate.biopsy_reports(case(site, volumes=volumes), OUTLINES, alignments())
    assert report.site.track == "the scan was made before the biopsy"
    assert "gas is seen along the path over" in report.carried[0].track
    length = float(report.carried[0].track.split("over ")[1].split("\N{NARROW NO-BREAK SPACE}")[0])
    assert length == pytest.approx(24.0, abs=3.0)
    # the same without gas: nothing found, and said
    (report,) = correlate.biopsy_reports(case(site), OUTLINES, alignments())
    assert "no track was found: no gas along the path" in report.carried[0].track
    # air outside the body is not taken for gas in a track
    skin = scene(moved)
    hu = skin.hu.copy()
    hu[:, (skin.grid.world_of_all()[0, :, 0, 1] < moved[1] - RADIUS - 4)] = -1000.0
    outside = (scene(CENTRE), Volume(hu, skin.grid))
    (report,) = correlate.biopsy_reports(case(site, volumes=outside), OUTLINES, alignments())
    assert (
        "no track was found" in report.carried[0].track
        or float(report.carried[0].track.split("over ")[1].split("\N{NARROW NO-BREAK SPACE}")[0]) < 8
    )


def test_a_new_gap_where_the_path_enters_is_taken_for_the_track() -> None:
    towards = np.array([0.0, -1.0, 0.0])
    maps = (
        rim_map(OUTLINES[0], CENTRE),
        rim_map(OUTLINES[1], POSE.apply(CENTRE), POSE.turn(towards)),
    )
    site = BiopsySite(1, at(9.0), at(-15.0), 60)
    (report,) = correlate.biopsy_reports(case(site), OUTLINES, alignments(), rim_maps=maps)
    assert "was mineralised before the biopsy" in report.carried[0].track


def test_the_day_is_taken_from_the_only_biopsy_event() -> None:
    line = case(BiopsySite(1, at(9.0)), events=(Event(44, "biopsy"), Event(0, "injury")))
    (report,) = correlate.biopsy_reports(line, OUTLINES, alignments())
    assert report.day == 44
    two = case(BiopsySite(1, at(9.0)), events=(Event(44, "biopsy"), Event(50, "biopsy")))
    (report,) = correlate.biopsy_reports(two, OUTLINES, alignments())
    assert report.day is None
    assert "The day of the biopsy was not given" in report.text


def test_no_biopsy_no_report() -> None:
    assert correlate.biopsy_reports(case(), OUTLINES) == ()
