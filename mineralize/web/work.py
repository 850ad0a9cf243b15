"""What is done for one case: read it, outline the lesion in one scan, measure everything, place a biopsy."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np

from .. import cases
from ..base import Floats, InputError, Scan, Volume
from ..cases import Request
from ..correlate import biopsy_reports
from ..lesion import Candidate, SeenScan, candidates_of
from ..results import Options
from ..study import Kept, Study, looked_at, outline_from_point
from ..timeline import BiopsySite, Timeline, scan_tag
from ..timeline import read as read_timeline
from . import boxes, shapes
from .shelf import Case

Step = Callable[[str, int, int], None]
Asked = Mapping[str, Any]
AXIS_REACH_MM = 80.0
"""Bone so near the lesion says which way the limb runs there."""
AXIS_HU = 300.0
LONG = 2.0
"""Bone spreads so many times farther along a limb than across, else no axis is named."""


class Work:
    """One case in this process; what was read stays, and is read again where files or ``case.toml`` changed."""

    def __init__(self, case: Case) -> None:
        self.case = case
        self._timeline: Timeline | None = None
        self._mark = ""
        self._seen: dict[int, SeenScan] = {}
        self._kept = Kept()

    # --- commands: each takes what was asked and a callback, and returns what the page is told -------------------

    def glance(self, asked: Asked, step: Step) -> Mapping[str, Any]:
        """Headers only: how many scans, on which days."""
        return self._keep_look(self._read(step), None)

    def look(self, asked: Asked, step: Step) -> Mapping[str, Any]:
        """All scans coarsely, so that they can be looked at and pointed into."""
        timeline = self._read(step)
        told = []
        for count, scan in enumerate(timeline.scans):
            step("prepare the pictures", count, len(timeline.scans))
            told.append(boxes.whole(self._volume(scan), self.case.kept, f"whole-{scan.number}").told())
        return self._keep_look(timeline, told)

    def candidates(self, asked: Asked, step: Step) -> Mapping[str, Any]:
        """What could be the lesion, over all scans."""
        timeline = self._read(step)
        found: list[Candidate] = []
        for count, scan in enumerate(timeline.scans):
            step("look for the lesion", count, len(timeline.scans))
            found += candidates_of(self._looked(scan.number))
        found.sort(key=lambda c: -c.score)
        return {"candidates": self.keep_candidates(found[:9])}

    def outline(self, asked: Asked, step: Step) -> Mapping[str, Any]:
        """The outline in one scan at one point, as a first look: measuring comes after."""
        number, point = int(asked["scan"]), np.asarray(asked["at"], float)
        timeline = self._read(step)
        step("find bones", 0, 1)
        seen = self._looked(number)
        step("outline the lesion", 0, 1)
        outline = outline_from_point(timeline, number, _triple(point), keep=self._kept)
        near = boxes.around_point(seen.volume, point, self.case.kept, f"near-{number}").told()
        if outline is None:
            text = "nothing to outline at this point: no mineral, and no margin that shows"
            return self._keep_first(number, near, None, text)
        told = shapes.keep_outline(outline, None, timeline.settings.zones, self.case.kept, f"first-{number}")
        if not _fits(outline.vertices, near):
            near = boxes.near(seen.volume, outline.vertices, boxes.AROUND_MM, self.case.kept, f"near-{number}").told()
        return self._keep_first(number, near, told, "")

    def measure(self, asked: Asked, step: Step) -> Mapping[str, Any]:
        """The main job, as ``summarise`` does it, and what the page draws of it."""
        made_of = case_file_version(self.case)
        request = Request(self.case.folder, sealed=asked.get("sealed") is True)
        timeline = cases.load(request, step)
        mark = fingerprint(self.case)
        with cases.aided() as aide:
            study = cases.studied(timeline, request.settings, step, keep=self._kept, aide=aide)
            outcome = cases.write_study(
                study, self.case.results, Options(), sealed=request.sealed, on_step=step, aide=aide
            )
        step("prepare the pictures", 0, 1)
        told = self._keep_study(study)
        told |= {"files": mark, "case_file": made_of, "withheld": outcome.withheld, "cautions": outcome.cautions}
        document = outcome.document
        told["trusted"] = sum(r["trust"] == "ok" for r in (*document["measurements"], *document["alignment"]))
        self.case.remember("measured", told)
        self.case.forget("candidates")
        if self.case.remembered("look") is None:
            self._keep_look(timeline, None)
        self._timeline, self._mark = timeline, mark + made_of
        return {"withheld": outcome.withheld, "cautions": outcome.cautions}

    def biopsy(self, asked: Asked, step: Step) -> Mapping[str, Any]:
        """Where one biopsy came from, by the outlines that were measured; nothing is stored."""
        measured = self.case.remembered("measured")
        if measured is None:
            raise InputError("the lesion is not measured yet; measure first, then zone and depth can be told")
        timeline = self._read(step)
        kept = [shapes.outline_again(told, self.case.kept) for told in measured["outlines"]]
        by_scan = {outline.scan: (outline, rim) for outline, rim in kept}
        site = BiopsySite(
            int(asked["scan"]),
            _triple(asked["target"]),
            None if asked.get("entry") is None else _triple(asked["entry"]),
            asked.get("day"),
        )
        with_site = replace(timeline, biopsies=(site,))
        numbers = [s.number for s in timeline.scans]
        report = biopsy_reports(
            with_site,
            [by_scan[n][0] if n in by_scan else None for n in numbers],
            [shapes.alignment_again(a) for a in measured["alignments"]],
            rim_maps=[by_scan[n][1] if n in by_scan else None for n in numbers],
        )[0]
        return {"report": _plain(asdict(report))}

    # --- what is kept ------------------------------------------------------------------------------------------------

    def keep_candidates(self, found: Sequence[Any]) -> list[Mapping[str, Any]]:
        """Keep candidates for the page; returns them as it is told."""
        told: list[Mapping[str, Any]] = [
            {
                "number": number,
                "scan": c.scan,
                "at": [round(float(v), 1) for v in c.point],
                "why": c.why,
                "extent_mm": round(float(c.extent_mm), 1),
                "bone_mm": round(float(c.bone_distance_mm), 1) if np.isfinite(c.bone_distance_mm) else None,
            }
            for number, c in enumerate(found, 1)
        ]
        self.case.remember("candidates", told)
        return told

    def _keep_look(self, timeline: Timeline, wholes: list[dict[str, Any]] | None) -> Mapping[str, Any]:
        told: dict[str, Any] = {
            "files": fingerprint(self.case),
            "case_file": case_file_version(self.case),
            "day_zero": timeline.day_zero,
            "scans": [_told_scan(scan) for scan in timeline.scans],
            "events": [{"day": e.day, "kind": e.kind, "text": e.text} for e in timeline.events],
            "offers": [
                {
                    "number": o.number,
                    "kind": o.kind,
                    "scan": o.scan,
                    "volume_mm3": o.volume_mm3,
                    "region": o.mask is not None,
                    "tag": o.tag,
                }
                for o in timeline.offered
            ],
            "notes": [{"text": n.text, "level": n.level, "subject": n.subject} for n in timeline.notes],
            "seeds": [{"scan": s.scan, "at": list(s.point)} for s in timeline.seeds],
            "wholes": wholes,
        }
        before = self.case.remembered("look")
        if wholes is None and before is not None and before["files"] == told["files"]:
            told["wholes"] = before["wholes"]
        self.case.remember("look", told)
        return {"scans": len(timeline.scans)}

    def _keep_first(
        self, number: int, near: Mapping[str, Any], told: Mapping[str, Any] | None, text: str
    ) -> Mapping[str, Any]:
        first = self.case.remembered("first") or {}
        first = {k: v for k, v in first.items() if v.get("files") == fingerprint(self.case)}
        first[str(number)] = {"near": near, "outline": told, "why_not": text, "files": fingerprint(self.case)}
        self.case.remember("first", first)
        return {"scan": number, "outlined": told is not None, "why_not": text}

    def _keep_study(self, study: Study) -> dict[str, Any]:
        place, zones = self.case.kept, study.settings.zones
        outlines, nears = [], []
        for index, scan in enumerate(study.timeline.scans):
            outline, rim = study.outlines[index], study.rim_maps[index]
            if outline is not None:
                outlines.append(shapes.keep_outline(outline, rim, zones, place, f"outline-{scan.number}"))
            points = _where_to_look(study, index)
            if points is not None and scan.grid.contains(points.mean(axis=0), -30.0):
                box = boxes.near(scan.volume, points, boxes.AROUND_MM, place, f"near-{scan.number}").told()
                nears.append({"scan": scan.number, **box})
        reference = study.timeline.scan(study.reference_scan)
        centre = _where_to_look(study, [s.number for s in study.timeline.scans].index(study.reference_scan))
        return {
            "reference_scan": study.reference_scan,
            "seed_origin": study.seed_origin,
            "alignments": [shapes.told_alignment(a) for a in study.alignments],
            "outlines": outlines,
            "nears": nears,
            "axis": None if centre is None else bone_axis(reference.volume, centre.mean(axis=0)),
        }

    # --- what is read ------------------------------------------------------------------------------------------------

    def _read(self, step: Step) -> Timeline:
        mark = fingerprint(self.case) + case_file_version(self.case)
        if self._timeline is None or self._mark != mark:
            fresh = read_timeline(self.case.folder, on_step=step)
            if self._mark[:20] != mark[:20]:  # other files: nothing of before holds
                self._seen.clear()
            elif self._timeline is not None:
                self._lend_voxels(self._timeline, fresh)
            self._timeline, self._mark = fresh, mark
        return self._timeline

    def _lend_voxels(self, old: Timeline, fresh: Timeline) -> None:
        """Only ``case.toml`` changed: voxels of scans that lie where they lay need not be decoded again."""
        held = {scan.label: scan for scan in old.scans if "volume" in scan.__dict__}
        for scan in fresh.scans:
            before = held.get(scan.label)
            if before is not None and before.grid.same_as(scan.grid):
                scan.__dict__["volume"] = before.volume
        if [s.label for s in old.scans] != [s.label for s in fresh.scans] or old.settings != fresh.settings:
            self._seen.clear()

    def _volume(self, scan: Scan) -> Volume:
        return scan.volume

    def _looked(self, number: int) -> SeenScan:
        assert self._timeline is not None
        if number not in {s.number for s in self._timeline.scans}:
            raise InputError(f"there is no scan {number}")
        if number not in self._seen:
            self._seen[number] = looked_at(self._timeline, number, keep=self._kept)
        return self._seen[number]


def bone_axis(volume: Volume, centre: Floats) -> list[float] | None:
    """Which way the limb runs near a point: unit LPS vector towards the head, ``None`` where bone does not say."""
    part = volume.around(np.asarray(centre, float)[None], AXIS_REACH_MM)
    steps = tuple(max(1, round(2.0 / s)) for s in part.grid.spacing.tolist())
    index = np.argwhere(part.hu[:: steps[0], :: steps[1], :: steps[2]] > AXIS_HU) * np.asarray(steps)
    if len(index) < 200:
        return None
    points = part.grid.to_world(index)
    spread, axes = np.linalg.eigh(np.cov((points - points.mean(axis=0)).T))
    if spread[2] < LONG**2 * spread[1]:
        return None
    axis = axes[:, 2] * (1.0 if axes[2, 2] >= 0 else -1.0)
    return [round(float(v), 5) for v in axis]


def fingerprint(case: Case) -> str:
    """20 letters that change when files of the case are added, removed or replaced; ``case.toml`` does not count."""
    held = hashlib.sha256()
    if case.packed:
        status = case.folder.stat()
        held.update(f"{status.st_size} {status.st_mtime_ns}".encode())
        return held.hexdigest()[:20]
    for place, names, files in os.walk(case.folder):
        names.sort()
        if case.results.parent.name in names:
            names.remove(case.results.parent.name)
        for name in sorted(files):
            path = Path(place) / name
            if path != case.case_file and path.exists():
                status = path.stat()
                line = f"{path.relative_to(case.folder)} {status.st_size} {status.st_mtime_ns}\n"
                held.update(line.encode("utf-8", "surrogateescape"))
    return held.hexdigest()[:20]


def case_file_version(case: Case) -> str:
    """The version of ``case.toml`` as :mod:`.case_edit` names it."""
    try:
        return hashlib.sha256(case.case_file.read_bytes()).hexdigest()[:20]
    except OSError:
        return "none"


def _where_to_look(study: Study, index: int) -> Floats | None:
    """LPS points of that scan around which a reader looks: its outline, or the reference's carried there."""
    own = study.outlines[index]
    if own is not None:
        return np.asarray(own.vertices)
    alignment = study.alignments[index]
    for other, link in zip(study.outlines, study.alignments, strict=True):
        if other is not None and link.trust != "withheld":
            if alignment.trust == "withheld":
                return None
            back = alignment.transform.inverse() @ link.transform
            return back.apply(other.vertices)
    return None


def _fits(points: Floats, near: Mapping[str, Any]) -> bool:
    affine = np.asarray(near["affine"], float).reshape(4, 4)
    index = (points - affine[:3, 3]) @ np.linalg.inv(affine[:3, :3]).T
    margin = 12.0 / np.linalg.norm(affine[:3, :3], axis=0)
    return bool(((index > margin) & (index < np.asarray(near["shape"]) - 1 - margin)).all())


def _told_scan(scan: Scan) -> dict[str, Any]:
    return {
        "number": scan.number,
        "tag": scan_tag(scan),
        "day": scan.day,
        "shape": list(scan.grid.shape),
        "affine": [round(float(v), 6) for v in scan.grid.affine.ravel()],
        "kvp": scan.acquisition.kvp,
        "slice_mm": round(float(scan.grid.spacing[0]), 2),
        "notes": [{"text": n.text, "level": n.level} for n in scan.notes],
    }


def _triple(values: Any) -> tuple[float, float, float]:
    x, y, z = (float(v) for v in values)
    return x, y, z


def _plain(value: Any) -> Any:
    """Dataclass fields as JSON takes them; numbers that are not finite become ``None``."""
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float):
        return round(value, 4) if np.isfinite(value) else None
    return value
