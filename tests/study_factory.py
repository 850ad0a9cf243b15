"""A small made-up study for the tests of the outputs: every kind of row, no science.

A limb of muscle in fat with one bone and a sphere with a shell beside it, in five poses. The numbers in the rows
are invented; what is tested with them is that outputs carry them faithfully.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from skimage.measure import marching_cubes

from mineralize.align import Alignment
from mineralize.base import Acquisition, Grid, InMemory, Note, Rigid, Scan, SeriesRow, Settings, Volume, withhold
from mineralize.change import Change, Curve, CurvePoint
from mineralize.correlate import ExpectedTissue, Finding
from mineralize.lesion import Candidate, Outline
from mineralize.measure import DepthProfile, Measurement, RimMap, Rows
from mineralize.study import Study
from mineralize.timeline import BiopsySite, Event, Seed, Timeline

DAYS = (12, 26, 54, 110, 271)
RADII = (15.0, 17.0, 17.5, 17.0, 15.5)
SHELL_HU = (60.0, 170.0, 420.0, 780.0, 950.0)
CORE_HU = (42.0, 40.0, 35.0, 5.0, -60.0)
CENTRE = np.array([34.0, -6.0, 12.0])
BONE = np.array([4.0, 2.0])
POSES = (
    Rigid.identity(),
    Rigid.from_vectors((0.03, 0.02, 0.35), (6.0, -3.0, 9.0)),
    Rigid.from_vectors((-0.02, 0.01, -0.2), (-5.0, 4.0, -6.0)),
    Rigid.from_vectors((0.01, -0.03, 0.1), (2.0, 8.0, 3.0)),
    Rigid.from_vectors((0.0, 0.02, -0.45), (-9.0, 2.0, 4.0)),
)
"""Maps LPS mm of the limb (= scan 1) to LPS mm of each scan."""

QUANTITIES: tuple[tuple[str, str, tuple[float, ...]], ...] = (
    ("lesion_volume", "mm3", (14137.2, 20579.5, 22449.3, 20579.5, 15598.5)),
    ("longest_diameter", "mm", (30.0, 34.0, 35.0, 34.0, 31.0)),
    ("axial_diameter", "mm", (30.0, 34.0, 35.0, 34.0, 31.0)),
    ("axial_perpendicular", "mm", (29.8, 33.5, 34.1, 33.2, 30.6)),
    ("mineral_volume", "mm3", (0.0, 1720.4, 6120.8, 7402.3, 6800.2)),
    ("mineral_volume_100", "mm3", (12.0, 2300.1, 6600.8, 7602.3, 6990.2)),
    ("mineral_volume_130", "mm3", (1.0, 1990.1, 6310.8, 7502.3, 6890.2)),
    ("mineral_volume_200", "mm3", (0.0, 1120.1, 5710.8, 7202.3, 6690.2)),
    ("mineral_volume_300", "mm3", (0.0, 120.1, 4910.8, 6902.3, 6490.2)),
    ("mineral_mass", "mg", (2.1, 212.4, 1482.9, 3120.6, 3391.7)),
    ("mineral_fraction", "1", (0.0, 0.0836, 0.2726, 0.3597, 0.436)),
    ("rim_attenuation", "HU", (61.2, 171.8, 421.3, 779.5, 948.1)),
    ("core_attenuation", "HU", (42.1, 40.4, 35.2, 4.9, -60.6)),
    ("rim_core_ratio", "1", (1.018, 1.126, 1.373, 1.771, 2.074)),
    ("rim_core_difference", "HU", (19.1, 131.4, 386.1, 774.6, 1008.7)),
    ("rim_peak_attenuation", "HU", (70.3, 201.9, 512.7, 901.4, 1104.2)),
    ("rim_completeness", "1", (0.0, 0.412, 0.806, 0.947, 0.981)),
    ("rim_completeness_100", "1", (0.05, 0.512, 0.856, 0.957, 0.985)),
    ("rim_completeness_200", "1", (0.0, 0.312, 0.786, 0.937, 0.979)),
    ("rim_completeness_300", "1", (0.0, 0.052, 0.716, 0.917, 0.973)),
    ("rim_unresolved", "1", (1.0, 0.21, 0.06, 0.02, 0.01)),
    ("largest_gap", "1", (1.0, 0.35, 0.12, 0.03, 0.01)),
    ("rim_thickness", "mm", (0.0, 2.1, 2.8, 3.1, 3.3)),
    ("zonal_contrast", "1", (0.0, 0.71, 0.83, 0.91, 0.97)),
    ("core_fat_fraction", "1", (0.0, 0.01, 0.02, 0.18, 0.72)),
    ("core_fluid_fraction", "1", (0.02, 0.03, 0.05, 0.21, 0.12)),
    ("core_soft_fraction", "1", (0.95, 0.93, 0.9, 0.55, 0.1)),
    ("core_haze_fraction", "1", (0.01, 0.01, 0.01, 0.02, 0.02)),
    ("core_mineral_fraction", "1", (0.0, 0.0, 0.0, 0.01, 0.01)),
    ("cortex_gap", "mm", (2.8, 2.4, 2.2, 2.3, 2.9)),
    ("cortex_contact_area", "mm2", (0.0, 0.0, 0.0, 0.0, 0.0)),
    ("cleft_fraction", "1", (1.0, 0.96, 0.94, 0.95, 1.0)),
    ("perilesional_muscle", "HU", (41.3, 43.8, 49.2, 53.0, 54.4)),
    ("reference_muscle", "HU", (55.1, 54.8, 55.3, 54.9, 55.0)),
    ("perilesional_deficit", "HU", (13.8, 11.0, 6.1, 1.9, 0.6)),
    ("oedema_extent", "mm", (22.0, 16.0, 8.0, 2.0, 0.0)),
    ("fat_reference", "HU", (-101.2, -100.7, -101.9, -100.4, -101.0)),
    ("cortex_reference", "HU", (1202.0, 1199.0, 1208.0, 1197.0, 1201.0)),
)
NEEDS_MINERAL = ("rim_thickness", "zonal_contrast", "rim_peak_attenuation")


def _volume(number: int) -> Volume:
    """HU of one scan: asymmetric grid, the limb in its pose."""
    grid = Grid.from_parts(
        (38 + number, 92 + 2 * number, 104), (2.0, 1.1, 1.0), (-38.0, -52.0 + number, -26.0), None, f"9.{number}"
    )
    pose = POSES[number - 1]
    limb = pose.inverse().apply(grid.world_of_all())
    hu = np.full(grid.shape, -1000.0, np.float32)
    across = np.hypot(limb[..., 0] - 18, limb[..., 1])
    hu[across < 55] = -100
    hu[across < 48] = 55
    bone = np.hypot(limb[..., 0] - BONE[0], limb[..., 1] - BONE[1])
    hu[bone < 12] = 1200
    hu[bone < 7] = -40
    inside = np.linalg.norm(limb - CENTRE, axis=-1)
    radius = RADII[number - 1]
    hu[inside < radius] = SHELL_HU[number - 1]
    hu[inside < radius - 3] = CORE_HU[number - 1]
    open_part = (inside < radius) & (limb[..., 0] - CENTRE[0] > radius * (0.2 + 0.18 * number))
    hu[open_part] = 45
    noise = np.random.default_rng(number).normal(0, 12, grid.shape)
    return Volume((hu + noise).round().astype(np.int16), grid)


def _outline(number: int) -> Outline:
    radius = RADII[number - 1]
    axis = np.linspace(-1.2, 1.2, 17)
    mesh = np.sqrt(sum(np.square(m) for m in np.meshgrid(axis, axis, axis, indexing="ij")))
    vertices, faces, _, _ = marching_cubes(mesh, 1.0, spacing=(axis[1] - axis[0],) * 3)
    unit = vertices + axis[0]
    unit /= np.linalg.norm(unit, axis=1, keepdims=True)
    points = POSES[number - 1].apply(CENTRE + radius * unit)
    supported = np.where(unit[:, 0] > 0.2 + 0.18 * number, 0.1, 0.9)
    return Outline(number, points, faces, supported, "mineral shell", 0.6)


def _measurements(number: int, unresolved: bool) -> list[Measurement]:
    rows = []
    for quantity, unit, values in QUANTITIES:
        value = values[number - 1]
        if number == 1 and quantity in NEEDS_MINERAL:
            why = withhold("no-mineral-contrast")
            rows.append(Measurement(number, quantity, None, None, None, unit, "withheld", why.text, verdicts=(why,)))
            continue
        if unresolved and quantity.startswith("rim_"):
            rows.append(
                Measurement(number, quantity, None, None, None, unit, "withheld", "slices are more than 5 mm apart")
            )
            continue
        half = abs(value) * 0.06 + (0.02 if unit == "1" else 0.5)
        caution = number == 4 and quantity == "mineral_mass"
        detail: dict[str, object] | None = None
        if quantity == "largest_gap":
            detail = {"words": "left-anterior", "direction": [0.8, -0.6, 0.0]}
        rows.append(
            Measurement(
                number,
                quantity,
                value,
                value - half,
                value + half,
                unit,
                "caution" if caution else "ok",
                "tube voltage differs from the other scans" if caution else "",
                "outline moved by half a voxel",
                detail,
            )
        )
    return rows


def _changes(rows: list[Measurement]) -> list[Change]:
    changes = []
    pairs = [(n, n + 1) for n in range(1, 5)] + [(1, 5)]
    by = {(r.scan, r.quantity): r for r in rows}
    for first, last in pairs:
        days = DAYS[last - 1] - DAYS[first - 1]
        for quantity, unit, _ in QUANTITIES:
            a, b = by[first, quantity].value, by[last, quantity].value
            if a is None or b is None:
                changes.append(
                    Change(first, last, days, quantity, None, None, None, None, None, None, "unsure",
                           f"withheld in scan {first if a is None else last}", unit)
                )  # fmt: skip
                continue
            d = b - a
            half = 0.09 * max(abs(a), abs(b)) + 0.05
            real = "yes" if abs(d) > 0.25 * max(abs(a), abs(b)) else ("no" if abs(d) < half else "unsure")
            doubling = days * np.log(2) / np.log(b / a) if quantity == "lesion_volume" and b > a else None
            changes.append(
                Change(first, last, days, quantity, d, 100 * d / a if a else None, d - half, d + half,
                       d / days * 30, doubling, real, "" if real == "yes" else "within what repeating the scan gives",
                       unit)
            )  # fmt: skip
    return changes


def _rim_map(number: int, outline: Outline) -> RimMap:
    pose = POSES[number - 1]
    centre = pose.apply(CENTRE)
    direction = outline.vertices - centre
    direction = direction / np.linalg.norm(direction, axis=1, keepdims=True)
    own = pose.inverse().turn(direction)
    area = np.full(len(direction), 4 * np.pi * RADII[number - 1] ** 2 / len(direction))
    peak = SHELL_HU[number - 1] * (1 + 0.25 * own[:, 2] - 0.2 * own[:, 1])
    gap = own[:, 0] > 0.2 + 0.18 * number
    peak = np.where(gap, 50.0, peak)
    state = np.where(peak >= 150, 1.0, 0.0)
    edge = np.abs(own[:, 0] - (0.2 + 0.18 * number)) < 0.06
    state = np.where(edge, 2.0, state)
    facing = (own @ np.array([-0.96, 0.26, 0.0])) > 0.97
    state = np.where(facing, 3.0, state)
    thickness = np.where(peak >= 150, 2.5 + own[:, 2], np.nan)
    return RimMap(number, direction, area, peak, thickness, state)


def _profile(number: int) -> DepthProfile:
    radius = RADII[number - 1]
    depth = np.arange(-3.0, radius, 0.5)
    shell = np.exp(-(((depth - 1.5) / 1.4) ** 2))
    mean = np.where(depth < 0, 50, CORE_HU[number - 1]) + shell * (SHELL_HU[number - 1] - 40)
    mean[-1] = np.nan
    return DepthProfile(number, depth, mean, mean - 25, mean + 25, radius)


def study(*, untrusted: int | None = None, missing: int | None = None, unresolved: int | None = None) -> Study:
    """The made-up study.

    ``untrusted``: this scan's alignment is withheld; ``missing``: the lesion was not outlined in this scan;
    ``unresolved``: the rim of this scan is withheld.
    """
    scans = tuple(
        Scan(
            n,
            DAYS[n - 1],
            _volume(n).grid,
            Acquisition(
                kvp=(120.0, 120.0, 120.0, 100.0, 120.0)[n - 1],
                kernel="soft 30",
                kernel_class="soft",
                slice_thickness_mm=2.0,
                slice_spacing_mm=2.0,
                pixel_spacing_mm=1.0,
                reconstruction_diameter_mm=104.0,
                contrast_agent=False,
            ),
            InMemory(_volume(n)),
            label=f"series 2 of study {n}",
            date=f"2031-0{n}-1{n}",
            notes=(Note("series-chosen", "series 2 was chosen: thinnest soft-kernel slices", "info", f"study {n}"),),
        )
        for n in range(1, 6)
    )
    rows: list[Measurement] = []
    alignments, outlines, centroids, profiles, maps = [], [], [], [], []
    for n in range(1, 6):
        to_reference = POSES[2] @ POSES[n - 1].inverse()
        bad = n == untrusted
        alignments.append(
            Alignment(
                n,
                3,
                to_reference,
                0.0 if n == 3 else 0.21 + 0.01 * n,
                1.0 if n == 3 else 0.83,
                "withheld" if bad else "ok",
                "rotation about the bone axis is not pinned: the shaft is nearly a cylinder" if bad else "",
                0.0 if n == 3 else 0.12,
                0.0 if n == 3 else 0.07,
                0.0 if n == 3 else 0.09,
                "femur-like shaft",
            )
        )
        if n == missing:
            outlines.append(None)
            centroids.append(None)
            profiles.append(None)
            maps.append(None)
            continue
        outline = _outline(n)
        outlines.append(outline)
        centroids.append(POSES[n - 1].apply(CENTRE))
        profiles.append(_profile(n))
        maps.append(_rim_map(n, outline))
        rows.extend(_measurements(n, n == unresolved))
    if missing:
        rows.extend(
            Measurement(missing, q, None, None, None, u, "withheld", "the lesion was not found in this scan")
            for q, u, _ in QUANTITIES
        )
        rows.sort(key=lambda r: r.scan)
    curves = tuple(
        Curve(
            q,
            u,
            tuple(
                CurvePoint(r.scan, DAYS[r.scan - 1], r.value, r.low, r.high, r.trust) for r in rows if r.quantity == q
            ),
            f"{q.replace('_', ' ')} over {len(scans)} scans",
        )
        for q, u, _ in QUANTITIES
        if q in ("mineral_mass", "lesion_volume", "rim_completeness", "rim_core_difference")
    )
    findings = (
        Finding("zoning", "Mineral lies at the periphery in scans 2 to 5.", ((5, "zonal_contrast"),), "ok",
                "Zoning is an architectural finding; the tissue decides."),
        Finding("bone", "A darker line separates the lesion from the cortex.",
                ((5, "cleft_fraction"), (5, "cortex_gap")), "caution",
                "A cleft is seen in most surface bone tumours of low grade too."),
        Finding("rim", "Rim thickness in scan 1: not assessed, because there is no mineral to speak of.",
                ((1, "rim_thickness"),), "withheld", ""),
    )  # fmt: skip
    tissue = tuple(
        ExpectedTissue(
            zone,  # type: ignore[arg-type]
            stage,  # type: ignore[arg-type]
            days,
            f"tissue of the {zone} when {stage}",
            "as on CT",
            tuple(n for n in range(1, 6) if stage == ("early", "early", "intermediate", "mature", "mature")[n - 1]),
            (1,) if stage == "intermediate" else (),
            (),
            ("Invented A. Journal 1900;1:1",),
        )
        for stage, days in (("early", "up to 28 days"), ("intermediate", "28 to 56 days"), ("mature", "after 56 days"))
        for zone in ("periphery", "middle", "centre")
    )
    timeline = Timeline(
        scans,
        alias="K-017",
        day_zero="onset",
        events=(Event(0, "injury", "blow to the thigh", "2031-01-01"), Event(30, "biopsy", "needle", "2031-02-01")),
        biopsies=(BiopsySite(2, (36.0, -8.0, 20.0), (70.0, -20.0, 22.0), 30),),
        seeds=(Seed(3, tuple(float(v) for v in POSES[2].apply(CENTRE))),),
        notes=(Note("kvp-differs", "scan 4 was made at another tube voltage", "caution", "scan 4"),),
        input_hash="5f" * 32,
        series=(
            SeriesRow(1, 1, 0, 1, False, "a localizer", "localizer"),
            SeriesRow(1, 2, 0, 39, True, "thinnest soft-kernel slices", score=8.5, kvp=120.0),
        ),
    )
    return Study(
        timeline=timeline,
        settings=Settings(),
        reference_scan=3,
        seed_origin="seed given in scan 3",
        alignments=tuple(alignments),
        outlines=tuple(outlines),
        centroids=tuple(centroids),
        measurements=Rows(rows),
        changes=tuple(_changes(rows)),
        profiles=tuple(profiles),
        rim_maps=tuple(maps),
        curves=curves,
        findings=findings,
        expected_tissue=tissue,
        candidates=(
            Candidate(1, 3, (30.0, -2.0, 6.0), 22000.0, 1480.0, 35.0, 2.2, 8.1, "shell of mineral clear of the bone"),
        ),
        notes=(Note("study-note", "scan 4 differs from the others in tube voltage", "caution", "scan 4"),),
        stage_seconds=(("align", 1.0), ("outline", 2.0)),
    )


def early(base: Study) -> Study:
    """The same study with a single scan."""
    timeline = replace(base.timeline, scans=base.timeline.scans[:1], biopsies=(), seeds=())
    return replace(
        base,
        timeline=timeline,
        reference_scan=1,
        alignments=(Alignment(1, 1, Rigid.identity(), 0.0, 1.0, "ok", ""),),
        outlines=base.outlines[:1],
        centroids=base.centroids[:1],
        profiles=base.profiles[:1],
        rim_maps=base.rim_maps[:1],
        measurements=Rows(r for r in base.measurements if r.scan == 1),
        changes=(),
        curves=(),
        findings=(),
    )
