"""A history as files: CT Image Storage (PS3.3 A.3), a study per scan, with case.toml and truth.json.

Layout: ``OUT/case/`` holds what a reader is given, ``OUT/truth.json`` what it must find. Every identifier is
invented and follows from the history's name and seed.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from pydicom.dataset import FileDataset, FileMetaDataset
from pydicom.uid import UID, CTImageStorage, ExplicitVRLittleEndian

from .described import HistoryError
from .history import History, RenderedScan
from .physics import Array

PADDING = -2000
INTERCEPT = -1024
KERNEL_WORDS = {"soft": "SOFT TISSUE", "medium": "STANDARD", "sharp": "BONE SHARP"}
FAMILY = ("Alder", "Birch", "Hazel", "Juniper", "Larch", "Maple", "Rowan", "Sorrel", "Tansy", "Yarrow")
GIVEN = ("Ari", "Bo", "Cam", "Dee", "Eli", "Fenn", "Gale", "Ira", "Jo", "Kit")


@dataclass(frozen=True)
class Identity:
    """An invented patient."""

    name: str
    number: str
    sex: str
    birth: dt.date


def uid(*parts: Any) -> str:
    """A UID under 2.25 (PS3.5 B.2) that follows from ``parts``."""
    digest = hashlib.sha256("/".join(str(p) for p in parts).encode()).digest()[:16]
    return f"2.25.{int.from_bytes(digest, 'big')}"


def identity(history: History, patient: int) -> Identity:
    rng = np.random.default_rng([history.seed, len(history.name), 77, patient])
    name = f"{FAMILY[rng.integers(len(FAMILY))]}-Invented^{GIVEN[rng.integers(len(GIVEN))]}"
    birth = dt.date(1975, 1, 1) + dt.timedelta(days=int(rng.integers(0, 12000)))
    return Identity(name, f"INV{rng.integers(10**6):06d}", "MF"[int(rng.integers(2))], birth)


def onset(history: History) -> dt.date:
    """Day zero as a calendar date: the script's, or one drawn by the seed."""
    given = history.table.get("case", {}).get("onset")
    if isinstance(given, dt.date):
        return given
    return dt.date(2021, 1, 4) + dt.timedelta(days=(history.seed * 37 + len(history.name) * 11) % 700)


def _base(history: History, i: int, scan: RenderedScan, series: int, words: str) -> FileDataset:
    who = identity(history, int(history.scans[i]["identity"]))
    when = onset(history) + dt.timedelta(days=int(history.scans[i]["day"]))
    begun = f"{9 + i % 8:02d}{(11 * i + 7) % 60:02d}"
    clock = f"{begun}{series:02d}"
    key = (history.name, history.seed, i)
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = CTImageStorage
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    meta.ImplementationClassUID = UID(uid("phantoms"))
    ds = FileDataset("", {}, file_meta=meta, preamble=b"\0" * 128)
    ds.SpecificCharacterSet = "ISO_IR 192"
    ds.SOPClassUID = CTImageStorage
    ds.StudyDate = ds.SeriesDate = ds.AcquisitionDate = ds.ContentDate = when.strftime("%Y%m%d")
    ds.StudyTime = f"{begun}00"  # one for all series of the study
    ds.SeriesTime = ds.AcquisitionTime = ds.ContentTime = clock
    ds.AccessionNumber = f"A{history.seed:03d}{i:02d}"
    ds.Modality = "CT"
    ds.Manufacturer = f"Invented Scanner Works {'ABCD'[(history.seed + i) % 4]}"
    ds.ManufacturerModelName = "Phantom CT"
    ds.InstitutionName = str(history.table.get("case", {}).get("place", "Invented Hospital"))
    ds.ReferringPhysicianName = "Invented^Referrer"
    ds.StudyDescription = str(history.table.get("case", {}).get("study", "CT limb"))
    ds.SeriesDescription = words
    ds.PatientName, ds.PatientID = who.name, who.number
    ds.PatientBirthDate, ds.PatientSex = who.birth.strftime("%Y%m%d"), who.sex
    ds.BodyPartExamined = str(history.table.get("case", {}).get("part", "LEG"))
    ds.Laterality = "R"
    ds.KVP = f"{scan.kvp:g}"
    ds.PatientPosition = "FFP" if scan.prone else "FFS"
    ds.StudyInstanceUID = uid(*key, "study")
    ds.SeriesInstanceUID = uid(*key, "series", series)
    ds.FrameOfReferenceUID = uid(*key, "frame")
    ds.PositionReferenceIndicator = ""
    ds.StudyID, ds.SeriesNumber = str(i + 1), series
    ds.SamplesPerPixel, ds.PhotometricInterpretation = 1, "MONOCHROME2"
    ds.BitsAllocated, ds.BitsStored, ds.HighBit, ds.PixelRepresentation = 16, 16, 15, 1
    ds.RescaleIntercept, ds.RescaleSlope, ds.RescaleType = str(INTERCEPT), "1", "HU"
    if scan.contrast:
        ds.ContrastBolusAgent = "IODINATED AGENT"
        ds.ContrastBolusRoute = "IV"
    return ds


def _number(value: float) -> str:
    """A decimal string of at most 16 characters (PS3.5 6.2)."""
    text = f"{value:.6f}".rstrip("0").rstrip(".")
    return text if text not in ("", "-0") else "0"


def write_series(folder: Path, history: History, i: int, scan: RenderedScan, series: int, words: str) -> int:
    """One axial series; returns the number of files. File names say nothing about the order."""
    folder.mkdir(parents=True)
    settings = history.scans[i]
    count, rows, columns = (int(n) for n in scan.hu.shape)
    stored = np.clip(np.round(scan.hu - INTERCEPT), 0, 32767).astype("<i2")
    if settings["circle"]:
        y, x = np.ogrid[:rows, :columns]
        outside = np.hypot(y - (rows - 1) / 2, x - (columns - 1) / 2) > rows / 2
        stored[:, outside] = PADDING
    mas = max(20.0, 160.0 * (12.0 / max(float(settings["noise"]), 1.0)) ** 2)
    shuffled = np.random.default_rng([history.seed, i, series]).permutation(count)
    for k in range(count):
        ds = _base(history, i, scan, series, words)
        sop = uid(history.name, history.seed, i, series, k)
        ds.file_meta.MediaStorageSOPInstanceUID = ds.SOPInstanceUID = UID(sop)
        ds.ImageType = ["ORIGINAL", "PRIMARY", "AXIAL"]
        position = scan.origin + scan.directions[:, 0] * (k * scan.spacing[0])
        ds.ImagePositionPatient = [_number(v) for v in position]
        ds.ImageOrientationPatient = [_number(v) for v in (*scan.directions[:, 2], *scan.directions[:, 1])]
        ds.PixelSpacing = [_number(scan.spacing[1]), _number(scan.spacing[2])]
        ds.SliceThickness = _number(scan.thickness_mm)
        ds.SpacingBetweenSlices = _number(scan.spacing[0])
        ds.SliceLocation = _number(float(position[2]))
        ds.ConvolutionKernel = KERNEL_WORDS[scan.kernel]
        ds.ReconstructionDiameter = _number(columns * scan.spacing[2])
        ds.XRayTubeCurrent, ds.ExposureTime, ds.Exposure = round(2 * mas), 500, round(mas)
        ds.GantryDetectorTilt = "0"
        ds.InstanceNumber = count - k if i % 2 else k + 1
        ds.AcquisitionNumber = 1
        ds.Rows, ds.Columns = rows, columns
        if settings["circle"]:
            ds.PixelPaddingValue = PADDING
        ds.WindowCenter, ds.WindowWidth = ("500", "2000") if scan.kernel == "sharp" else ("50", "400")
        ds.PixelData = stored[k].tobytes()
        ds.save_as(folder / f"I{int(shuffled[k]) + 1:05d}.dcm", enforce_file_format=True)
    return count


def write_localizer(folder: Path, history: History, i: int, scan: RenderedScan) -> None:
    """A frontal projection of the scan, as the planning image that comes before it."""
    folder.mkdir(parents=True)
    through = scan.hu[::-1].mean(axis=1)
    ds = _base(history, i, scan, 1, "Localizer")
    ds.file_meta.MediaStorageSOPInstanceUID = ds.SOPInstanceUID = UID(uid(history.name, history.seed, i, 1, 0))
    ds.ImageType = ["ORIGINAL", "PRIMARY", "LOCALIZER"]
    count = scan.hu.shape[0]
    top = scan.origin + scan.directions[:, 0] * ((count - 1) * scan.spacing[0])
    ds.ImagePositionPatient = [_number(v) for v in top]
    ds.ImageOrientationPatient = [_number(v) for v in (*scan.directions[:, 2], *(-scan.directions[:, 0]))]
    ds.PixelSpacing = [_number(scan.spacing[0]), _number(scan.spacing[2])]
    ds.SliceThickness = _number(scan.hu.shape[1] * scan.spacing[1])
    ds.InstanceNumber, ds.AcquisitionNumber = 1, ""
    ds.Rows, ds.Columns = through.shape
    ds.PixelData = np.clip(np.round(through - INTERCEPT), 0, 32767).astype("<i2").tobytes()
    ds.save_as(folder / "L00001.dcm", enforce_file_format=True)


def _rows(matrix: Array) -> list[list[float]]:
    return [[float(v) for v in row] for row in matrix]


def faults(settings: Any) -> list[str]:
    """What was spoiled on purpose in a scan."""
    found = [name for name in ("mirrored", "streaks", "contrast", "lesion_absent") if settings[name]]
    found += ["motion"] if settings["motion_mm"] else []
    found += ["wrong-patient"] if settings["patient"] else []
    found += ["other-part"] if settings["part"] else []
    return found + (["thick"] if float(settings["slice_mm"]) >= 5 else [])


def truth_record(history: History) -> dict[str, Any]:
    """What a reader must find, as plain data: matrices are row-major, LPS mm."""
    scans = []
    for i in range(len(history)):
        frame = history.frame(i)
        values = {k: (v if np.isfinite(v) else None) for k, v in history.truth(i).items()}
        scene = history.scene(i)
        settings = history.scans[i]
        entry: dict[str, Any] = {
            "scan": i + 1,
            "day": int(settings["day"]),
            "kvp": float(settings["kvp"]),
            "kernel": settings["kernel"],
            "slice_mm": float(frame.spacing[0]),
            "pixel_mm": float(frame.spacing[1]),
            "noise_hu": float(settings["noise"]),
            "patient": int(settings["patient"]),
            "quantities": values,
            "centroid": [float(v) for v in history.centroid(i)],
            "to_body": _rows(frame.to_body),
            "to_scan": {str(j + 1): _rows(history.alignment(i, j)) for j in range(len(history))},
            "lesion_present": not settings["lesion_absent"],
            "lesion_in_view": bool(history.lesion_in_view(i)) and not settings["lesion_absent"],
            "faults": faults(settings),
        }
        if len(scene.bones) > 1:
            entry["second_bone_to_body"] = _rows(scene.bones[1].from_body @ frame.to_body)
        scans.append(entry)
    return {
        "history": history.name,
        "seed": history.seed,
        "summary": str(history.table.get("summary", "")),
        "pinned": bool(history.table.get("pinned", True)),
        "scans": scans,
    }


def case_file(history: History, with_seed: bool) -> str:
    """The text of ``case.toml``."""
    case = history.table.get("case", {})
    alias = case.get("alias", f"{history.name}-{history.seed}")
    lines = [f'alias = "{alias}"', f"onset = {onset(history).isoformat()}"]
    if with_seed or case.get("lesion_seed"):
        number = int(case.get("lesion_seed", 0)) or len(history)
        place = history.centroid(number - 1)
        if "seed_body" in case:
            back = np.linalg.inv(history.to_body(number - 1))
            place = back[:3, :3] @ np.asarray(case["seed_body"], float) + back[:3, 3]
        point = ", ".join(f"{v:.1f}" for v in place)
        lines += ["", "[lesion]", f"scan = {number}", f"seed = [{point}]"]
    for event in history.table.get("events", []):
        date = onset(history) + dt.timedelta(days=int(event["day"]))
        lines += ["", "[[event]]", f"date = {date.isoformat()}", f'kind = "{event["kind"]}"']
    for biopsy in history.table.get("biopsies", []):
        number = int(biopsy["scan"])
        entry, target = biopsy_points(history, number - 1, biopsy)
        lines += ["", "[[biopsy]]", f"scan = {number}"]
        for word, end in (("entry", entry), ("target", target)):
            lines.append(f"{word} = [{', '.join(f'{v:.1f}' for v in end)}]")
    return "\n".join(lines) + "\n"


def biopsy_points(history: History, i: int, biopsy: Any) -> tuple[Array, Array]:
    """LPS mm of needle entry and target: from body direction ``towards``, ``share`` of the way to the outline."""
    lesion = history.lesions(i)[0]
    towards = np.asarray(biopsy["towards"], float)
    towards /= np.linalg.norm(towards)
    radius = float(lesion.radius(towards[None])[0])
    ends = [np.asarray(lesion.centre) + towards * r for r in (radius + 28.0, radius * float(biopsy["share"]))]
    back = np.linalg.inv(history.to_body(i))
    entry, target = (back[:3, :3] @ p + back[:3, 3] for p in ends)
    return entry, target


def build(
    history: History,
    out: Path,
    *,
    distractors: bool = True,
    with_seed: bool = False,
    on_step: Callable[[int, int], None] | None = None,
) -> dict[str, Any]:
    """Write a history below ``out`` and return its truth record.

    Raises
    ------
    HistoryError
        when ``out`` exists and is not an empty folder.
    """
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise HistoryError(f"the output {out.name!r} exists and is not an empty folder; choose another")
    case = out / "case"
    write_case(history, case, distractors=distractors, with_seed=with_seed, on_step=on_step)
    record = truth_record(history)
    (out / "truth.json").write_text(json.dumps(record, indent=1), encoding="utf-8")
    return record


def write_case(
    history: History,
    case: Path,
    *,
    distractors: bool = True,
    with_seed: bool = False,
    on_step: Callable[[int, int], None] | None = None,
) -> None:
    """Only what a reader is given: DICOM and ``case.toml``. ``on_step`` hears (scan, of how many)."""
    case.mkdir(parents=True)
    order = np.random.default_rng([history.seed, 3]).permutation(len(history))
    for i in range(len(history)):
        if on_step is not None:
            on_step(i + 1, len(history))
        study = case / f"ST{int(order[i]) + 1:02d}"
        scan = history.render(i)
        if distractors:
            write_localizer(study / "SE01", history, i, scan)
        write_series(study / "SE02", history, i, scan, 2, f"Axial {scan.thickness_mm:g} mm {scan.kernel}")
        if not distractors:
            continue
        for number, kind in enumerate(history.scans[i]["recons"], start=3):
            if kind == "thick":
                other = history.render(i, slice_mm=5.0)
            elif kind == "sharp":
                other = history.render(i, kernel="sharp", noise=2.5 * float(history.scans[i]["noise"]))
            else:
                raise HistoryError(f"unknown second reconstruction {kind!r}; there are thick and sharp")
            words = f"Axial {other.thickness_mm:g} mm {other.kernel}"
            write_series(study / f"SE{number:02d}", history, i, other, number, words)
    (case / "case.toml").write_text(case_file(history, with_seed), encoding="utf-8")


__all__ = ["build", "case_file", "truth_record", "uid", "write_case"]
