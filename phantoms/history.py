"""Scripted histories: from a TOML description and a seed to scenes, scans and truth."""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from functools import cached_property
from typing import Any

import numpy as np

from .bones import Bone
from .described import HERE, JITTER_DEFAULTS, SCAN_DEFAULTS, HistoryError, build_from, read_description, three, tupled
from .lesion import Lesion, rotation
from .limb import Limb, Vessel
from .outline_truth import Surface, apply, outline_surface
from .physics import Array, slope
from .placing import beside_bone, displaced, drawn_limb
from .render import Frame, Kernel, render, shifted_slices, streaks, table_image
from .scene import Placed, Scene
from .truth import truth

KERNELS = {"soft": Kernel(1.35), "medium": Kernel(1.1), "sharp": Kernel(0.85, 0.12)}


@dataclass(frozen=True, eq=False)
class RenderedScan:
    """One scan in memory.

    ``hu`` float32 [slice, row, column]; ``spacing`` mm (slice, row, column); ``origin`` LPS mm of the centre of
    voxel (0, 0, 0); ``directions`` (3, 3), columns the LPS unit vectors of increasing slice, row and column.
    ``to_body`` (4, 4) maps this scan's LPS mm to the frame of the host bone, the same in every scan;
    ``second_bone_to_body`` likewise for the other bone. ``lesion_centroid`` is LPS mm of this scan.
    """

    hu: Array
    spacing: tuple[float, float, float]
    origin: Array
    directions: Array
    kvp: float
    kernel: str
    day: int
    to_body: Array
    second_bone_to_body: Array | None
    thickness_mm: float
    contrast: bool
    prone: bool
    _history: History = field(repr=False)
    _number: int = 0

    @cached_property
    def truth(self) -> dict[str, float]:
        """Quantity to value."""
        return self._history.truth(self._number)

    @cached_property
    def lesion_centroid(self) -> Array:
        """LPS mm of the lesion's centroid in this scan (of where it would be when the scan does not show it)."""
        return self._history.centroid(self._number)


@dataclass(frozen=True, eq=False)
class History:
    """A history with its seed applied. Scans are numbered from 0."""

    name: str
    seed: int
    table: Mapping[str, Any] = field(repr=False)

    def with_scans(self, **settings: Any) -> History:
        """The same history with these scan settings in every scan (``None`` leaves a setting as scripted)."""
        given = {k: v for k, v in settings.items() if v is not None}
        unknown = sorted(set(given) - set(SCAN_DEFAULTS))
        if unknown:
            raise HistoryError(f"unknown scan settings: {', '.join(unknown)}")
        scans = [{**own, **given} for own in self.table["scans"]]
        return History(self.name, self.seed, {**self.table, "scans": scans})

    def resized(
        self, matrix: int | None = None, pixel_mm: float | None = None, slices: int | None = None,
        slice_mm: float | None = None,
    ) -> History:  # fmt: skip
        """The same history on other voxels; a new matrix alone keeps the field of view."""
        scans = []
        for own, full in zip(self.table["scans"], self.scans, strict=True):
            changed = dict(own)
            if matrix is not None:
                changed["matrix"] = matrix
                changed["pixel_mm"] = full["matrix"] * full["pixel_mm"] / matrix
            if pixel_mm is not None:
                changed["pixel_mm"] = pixel_mm
            if slice_mm is not None:
                changed["slice_mm"] = slice_mm
                changed["slices"] = max(1, round(full["slices"] * full["slice_mm"] / slice_mm))
            if slices is not None:
                changed["slices"] = slices
            scans.append(changed)
        return History(self.name, self.seed, {**self.table, "scans": scans})

    def __len__(self) -> int:
        return len(self.scans)

    def _rng(self, *purpose: int) -> np.random.Generator:
        return np.random.default_rng([self.seed, zlib.crc32(self.name.encode()), *purpose])

    @cached_property
    def scans(self) -> tuple[dict[str, Any], ...]:
        """Settings of each scan: defaults, then the history's, then its own."""
        base = {**SCAN_DEFAULTS, **self.table.get("scan", {})}
        return tuple({**base, **own} for own in self.table["scans"])

    @cached_property
    def jitter(self) -> dict[str, float]:
        return {**JITTER_DEFAULTS, **self.table.get("jitter", {})}

    # ---- anatomy -------------------------------------------------------------------------------
    def _anatomy(self, part: str) -> Mapping[str, Any]:
        """The description of the limb: the history's own, or a named other part of the body."""
        return self.table["parts"][part] if part else self.table

    def bones(self, patient: int = 0, part: str = "") -> tuple[Bone, ...]:
        """Host bone first; sizes jittered once per patient."""
        rng = self._rng(1, patient)
        out = []
        anatomy = self._anatomy(part)
        for entry in (anatomy.get("bone", {}), *anatomy.get("other_bones", [])):
            bone = build_from(Bone, {k: v for k, v in entry.items() if k != "motion"})
            grow = 1 + self.jitter["size"] * rng.uniform(-1, 1)
            turn = rng.uniform(-8, 8)
            out.append(
                replace(
                    bone, radius=bone.radius * grow, cortex=bone.cortex * grow * (1 + 0.06 * rng.uniform(-1, 1)),
                    ridge_deg=bone.ridge_deg + turn, bump_deg=bone.bump_deg + rng.uniform(-15, 15),
                    bump_z=bone.bump_z + rng.uniform(-6, 6) * (bone.bump > 0),
                    density=bone.density * (1 + 0.04 * rng.uniform(-1, 1)),
                )
            )  # fmt: skip
            if patient:
                out[-1] = replace(out[-1], radius=out[-1].radius * 1.13, oval_deg=bone.oval_deg + 50, bump_z=-20.0,
                                  ridge=bone.ridge * 0.6, bow=(bone.bow[0] + 4, bone.bow[1] * 0.3))  # fmt: skip
        return tuple(out)

    def limb(self, i: int) -> Limb:
        """Soft tissue of scan ``i``: the patient's, a little displaced in every scan."""
        entry = dict(self._anatomy(self.scans[i]["part"]).get("limb", {}))
        count = int(entry.pop("bellies", 8))
        vessels = tuple(build_from(Vessel, v) for v in entry.pop("vessels", []))
        patient = self.scans[i]["patient"]
        rng = self._rng(2, patient)
        limb: Limb = build_from(Limb, entry)
        limb = drawn_limb(limb, count, self.jitter["tissue_hu"], rng)
        return replace(displaced(limb, self.jitter["soft_tissue_mm"], self._rng(3, i)), vessels=vessels)

    def bone_motion(self, i: int) -> tuple[Array, ...]:
        """(4, 4) from the body frame to each bone's own frame in scan ``i``."""
        out: list[Array] = [np.eye(4)]
        for entry in self._anatomy(self.scans[i]["part"]).get("other_bones", []):
            motion = entry.get("motion", {})
            turns = motion.get("turn_deg", [0.0])
            shifts = motion.get("shift_mm", [[0.0, 0.0, 0.0]])
            pivot = np.asarray(motion.get("pivot", [0.0, 0.0, 0.0]), float)
            turn = rotation((0.0, motion.get("tilt_deg", 0.0) * (i % 2), turns[i % len(turns)]))
            to_body = np.eye(4)
            to_body[:3, :3] = turn
            to_body[:3, 3] = pivot - turn @ pivot + np.asarray(shifts[i % len(shifts)], float)
            out.append(np.linalg.inv(to_body))
        return tuple(out)

    # ---- lesion --------------------------------------------------------------------------------
    def lesions(self, i: int) -> tuple[Lesion, ...]:
        """The measured lesion and any others, as they are in scan ``i`` (kept after the first call)."""
        kept: dict[int, tuple[Lesion, ...]] = self.__dict__.setdefault("_lesions", {})
        if i not in kept:
            kept[i] = self._drawn_lesions(i)
        return kept[i]

    def _drawn_lesions(self, i: int) -> tuple[Lesion, ...]:
        day = float(self.scans[i]["day"])
        entries = [self.table["lesion"], *self.table.get("other_lesions", [])]
        out = [self._lesion(entry, number, day) for number, entry in enumerate(entries)]
        # Muscle slides along bone, and takes its lesions with it.
        slid, turned = self.scans[i]["slid_mm"], float(self.scans[i]["slid_turn_deg"])
        out = [
            replace(
                one,
                centre=three(c + d for c, d in zip(one.centre, slid, strict=True)),
                angles=three((one.angles[0], one.angles[1], one.angles[2] + turned)),
            )
            for one in out
        ]
        track = self.scans[i].get("track")
        if track is not None:
            out[0] = replace(out[0], track=tupled(track))
        return tuple(out)

    def _lesion(self, entry: Mapping[str, Any], number: int, day: float) -> Lesion:
        rng = self._rng(4, number)
        plain = {k: v for k, v in entry.items() if k not in ("course", "place")}
        lesion: Lesion = build_from(Lesion, plain)
        size = self.jitter["size"]
        lesion = replace(
            lesion,
            radii=three(r * (1 + size * rng.uniform(-1, 1)) for r in lesion.radii),
            angles=three(a + rng.uniform(-12, 12) for a in lesion.angles),
            shape_seed=lesion.shape_seed + 100 * self.seed,
            mineral_mg=lesion.mineral_mg,
        )
        course = entry.get("course", {})
        days = course.get("day", [0.0])

        def at(name: str, when: float, default: float) -> float:
            return float(np.interp(when, days, course[name])) if name in course else default

        place = entry.get("place")
        if place is not None:
            reference = at("scale", float(place.get("day", day)), 1.0)
            sized = replace(lesion, radii=three(r * reference for r in lesion.radii))
            gap = float(place["gap_mm"]) + float(place.get("gap_jitter", 0.0)) * rng.uniform(-1, 1)
            turn = float(place["deg"]) + rng.uniform(-6, 6)
            lesion = replace(lesion, centre=beside_bone(sized, self.bones()[0], turn, float(place.get("z", 0.0)), gap))
        else:
            loose = self.jitter["position_mm"]
            lesion = replace(lesion, centre=three(c + loose * rng.uniform(-1, 1) for c in lesion.centre))
        scale = at("scale", day, 1.0)
        changed: dict[str, Any] = {"radii": three(r * scale for r in lesion.radii)}
        known = {f.name for f in fields(Lesion)}
        for name in course:
            if name in ("day", "scale"):
                continue
            if name not in known:
                raise HistoryError(f"history {self.name}: unknown course {name!r}")
            changed[name] = at(name, day, 0.0)
        return replace(lesion, **changed)

    # ---- scans ---------------------------------------------------------------------------------
    def scene(self, i: int) -> Scene:
        """The limb on the day and at the tube voltage of scan ``i``."""
        scan = self.scans[i]
        placed = tuple(
            Placed(bone, motion)
            for bone, motion in zip(self.bones(scan["patient"], scan["part"]), self.bone_motion(i), strict=True)
        )
        metal = tuple(
            (np.asarray(m["at"], float), np.asarray(m["axis"], float) / np.linalg.norm(m["axis"]), float(m["radius"]),
             float(m["half_length"]))
            for m in (self.table.get("metal", []) if scan["streaks"] else [])
        )  # fmt: skip
        vessel = 190.0 * slope(float(scan["kvp"])) / slope(120.0) + 60.0 if scan["contrast"] else None
        lesions, limb = self.lesions(i), self.limb(i)
        if scan["contrast"]:
            # soft tissue takes up iodine: the lesion more than muscle
            limb = replace(limb, muscle_offset=limb.muscle_offset + 8.0)
            lesions = tuple(replace(lesion, soft_hu=lesion.soft_hu + 28.0) for lesion in lesions)
        if scan["lesion_absent"]:
            lesions = tuple(replace(lesion, centre=(5000.0, 0.0, 0.0), oedema_hu=0.0) for lesion in lesions)
        return Scene(limb, placed, lesions, float(scan["kvp"]), vessel,
                     bool(self.table.get("through_bone", False)), metal)  # fmt: skip

    def to_body(self, i: int) -> Array:
        """(4, 4) from LPS mm of scan ``i`` to the body frame; a reflection where the scan is mirrored."""
        rng = self._rng(5, i)
        j = self.jitter
        scan = self.scans[i]
        turn = scan.get("turn_deg", rng.uniform(-0.5, 0.5) * j["turn_deg"])
        tilt = scan.get("tilt_deg", rng.uniform(-1, 1, 2) * j["tilt_deg"])
        shift = scan.get("shift", rng.uniform(-1, 1, 3) * [j["shift_mm"], j["shift_mm"], j["slide_mm"]])
        turned = rotation((0, 0, float(turn))) @ rotation((float(tilt[0]), float(tilt[1]), 0))
        matrix = np.eye(4)
        matrix[:3, :3] = turned @ np.diag([-1.0 if scan["mirrored"] else 1.0, 1.0, 1.0])
        matrix[:3, 3] = shift
        return np.asarray(np.linalg.inv(matrix))

    def frame(
        self, i: int, matrix: int | None = None, pixel_mm: float | None = None, slice_mm: float | None = None
    ) -> Frame:
        """Voxel grid of scan ``i``; a new matrix keeps the field of view, a new slice the range."""
        scan = self.scans[i]
        size = int(matrix or scan["matrix"])
        field_mm = scan["matrix"] * scan["pixel_mm"]
        pixel = float(pixel_mm or field_mm / size)
        spacing = float(slice_mm or scan["slice_mm"])
        slices = max(1, round(scan["slices"] * scan["slice_mm"] / spacing))
        thickness = float(slice_mm or scan["thickness_mm"] or scan["slice_mm"])
        rng = self._rng(6, i)
        to_body = self.to_body(i)
        level = float(scan.get("level", self.lesions(i)[0].centre[2])) + scan["level_shift"]
        level += rng.uniform(-1, 1) * self.jitter["level_mm"]
        centre = self._anatomy(scan["part"]).get("limb", {}).get("centre", (8.0, 6.0))
        target = np.array([*centre, level, 1.0])
        middle = (np.linalg.inv(to_body) @ target)[:3]
        gantry = np.diag([-1.0, -1.0, 1.0]) if scan["prone"] else np.eye(3)
        loose = np.append(rng.uniform(-1, 1, 2) * self.jitter["fov_mm"] + np.asarray(scan["fov_shift"]), 0.0)
        middle = np.round(middle + gantry @ loose, 1)
        directions = np.stack([gantry[:, 2], gantry[:, 1], gantry[:, 0]], axis=1)
        affine = np.eye(4)
        affine[:3, :3] = directions * [spacing, pixel, pixel]
        affine[:3, 3] = middle - affine[:3, :3] @ ((np.array([slices, size, size]) - 1) / 2)
        return Frame((slices, size, size), affine, to_body, thickness)

    def render(
        self,
        i: int,
        matrix: int | None = None,
        pixel_mm: float | None = None,
        slice_mm: float | None = None,
        *,
        kernel: str | None = None,
        noise: float | None = None,
    ) -> RenderedScan:
        """Scan ``i`` as voxels. Options override the script; the noise is the same for the same call."""
        scan = self.scans[i]
        frame = self.frame(i, matrix, pixel_mm, slice_mm)
        scene = self.scene(i)
        name = kernel or scan["kernel"]
        rng = self._rng(7, i, sorted(KERNELS).index(name))
        level = float(scan["noise"]) * (1 + self.jitter["noise"] * self._rng(8, i).uniform(-1, 1))
        if noise is not None:
            level = noise
        table = table_image(scene, frame, scan["prone"]) if scan["table"] else None
        hu = render(scene, frame, KERNELS[name], level, rng, table)
        pixel = float(frame.spacing[1])
        if scene.metal:
            hu = hu + streaks(hu, pixel)
        if scan["motion_mm"]:
            moves = self._rng(9, i).normal(size=(len(hu), 2)) * (self._rng(10, i).random((len(hu), 1)) < 0.12)
            hu = shifted_slices(hu, np.cumsum(moves, axis=0) * scan["motion_mm"] / pixel)
        second = None
        if len(scene.bones) > 1:
            second = scene.bones[1].from_body @ frame.to_body
        spacing = frame.spacing
        return RenderedScan(
            hu=hu, spacing=(float(spacing[0]), float(spacing[1]), float(spacing[2])), origin=frame.affine[:3, 3].copy(),
            directions=frame.affine[:3, :3] / spacing, kvp=float(scan["kvp"]), kernel=name, day=int(scan["day"]),
            to_body=frame.to_body, second_bone_to_body=second, thickness_mm=frame.thickness,
            contrast=bool(scan["contrast"]), prone=bool(scan["prone"]), _history=self, _number=i,
        )  # fmt: skip

    # ---- truth ---------------------------------------------------------------------------------
    def truth(self, i: int) -> dict[str, float]:
        """Every quantity of scan ``i``, from the scene (kept after the first call)."""
        kept: dict[int, dict[str, float]] = self.__dict__.setdefault("_kept", {})
        if self.scans[i]["lesion_absent"]:
            return {}
        if i not in kept:
            kept[i] = truth(self.scene(i), self.to_body(i), KERNELS[self.scans[i]["kernel"]].fwhm)
        return dict(kept[i])

    def centroid(self, i: int) -> Array:
        """LPS mm of the lesion's centroid in scan ``i`` (volume integral over directions)."""
        scene = replace(self.scene(i), lesions=self.lesions(i))
        lesion = scene.lesions[0]
        rng = np.random.default_rng(5)
        cloud = rng.uniform(-1, 1, (400_000, 3)) * lesion.reach + np.asarray(lesion.centre)
        body = cloud[scene.in_lesion(cloud)].mean(axis=0)
        return np.asarray((np.linalg.inv(self.to_body(i)) @ np.append(body, 1.0))[:3])

    def contains(self, i: int, world: Array) -> Array:
        """Which of (..., 3) LPS points of scan ``i`` lie in the measured lesion (skeleton left out)."""
        points = np.asarray(world, float)
        body = apply(self.to_body(i), points.reshape(-1, 3))
        return np.asarray(self.scene(i).in_lesion(body)).reshape(points.shape[:-1])

    def surface(self, i: int) -> Surface:
        """The true outline in scan ``i`` as points, normals and areas; `outline_truth.distance_to` measures to it."""
        return outline_surface(self.scene(i), self.to_body(i))

    def lesion_in_view(self, i: int) -> bool:
        """Whether the whole lesion lies at least one voxel inside the scan."""
        frame = self.frame(i)
        points, _, _ = self.lesions(i)[0].surface(2000)
        inverse = np.linalg.inv(frame.index_to_body)
        index = points @ inverse[:3, :3].T + inverse[:3, 3]
        return bool(((index >= 1) & (index <= np.asarray(frame.shape) - 2)).all())

    def alignment(self, i: int, j: int) -> Array:
        """(4, 4) from LPS mm of scan ``i`` to LPS mm of scan ``j``, by the host bone."""
        return np.asarray(np.linalg.inv(self.to_body(j)) @ self.to_body(i))


def names() -> list[str]:
    """Names of the scripted histories."""
    return sorted(p.stem for p in HERE.glob("*.toml"))


def load_history(name: str, seed: int = 0) -> History:
    """The scripted history ``name`` with its distributions drawn by ``seed``.

    Raises
    ------
    HistoryError
        when there is no such history.
    """
    path = HERE / f"{name}.toml"
    if not path.is_file():
        raise HistoryError(f"no history {name!r}; there are: {', '.join(names())}")
    return History(name, seed, read_description(path))
