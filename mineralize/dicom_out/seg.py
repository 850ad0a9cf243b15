"""Lesion, rim, core and mineral of each scan as a binary DICOM Segmentation on the scan's own frames (PS3.3 A.51)."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import highdicom as hd
import numpy as np
from highdicom.color import CIELabColor
from highdicom.content import AlgorithmIdentificationSequence
from highdicom.seg import Segmentation, SegmentDescription
from pydicom.sr.coding import Code
from pydicom.uid import SegmentationStorage

from .. import __version__
from ..base import Note, Scan, Term
from ..study import Study
from . import codes
from .codes import SEGMENTS, Segment
from .identity import PROGRAM, Identity, item
from .slab import Slab, slabs

SERIAL = "none"
SERIES_NUMBER = 900


def load_tables() -> None:
    """Have the library read its tables of modules and attributes, 22 MB of text, which the first object asks for."""
    hd.SOPClass(
        study_instance_uid="1.2.3",
        series_instance_uid="1.2.4",
        series_number=1,
        sop_instance_uid="1.2.5",
        sop_class_uid=SegmentationStorage,
        instance_number=1,
        modality="SEG",
    )


def code(term: Term) -> Code:
    """A term as pydicom takes it."""
    return Code(term.value, term.scheme, term.meaning)


def build(identity: Identity, scan: Scan, part: Slab) -> tuple[Segmentation, bytes]:
    """One Segmentation of a scan, and its file; a segment without a voxel is left out, numbers stay without a gap.

    Raises
    ------
    ValueError
        when the lesion mask is empty or masks do not fit the scan.
    """
    parts, (slices, rows, columns) = part.boxes, part.window
    fits = part.shape[1:] == scan.grid.shape[1:] and part.first + part.shape[0] <= scan.grid.shape[0]
    if not fits or not parts["lesion"].any():
        raise ValueError("expected masks on the scan's own grid with at least one voxel of lesion")
    used = np.flatnonzero(np.logical_or.reduce([m.any(axis=(1, 2)) for m in parts.values()]))
    low, high = slices.start + int(used[0]), slices.start + int(used[-1]) + 1
    wanted = [s for s in SEGMENTS if s.label in parts and parts[s.label].any()]
    planes = np.zeros((len(wanted), high - low, *scan.grid.shape[1:]), np.uint8)
    for plane, segment in zip(planes, wanted, strict=True):
        plane[:, rows, columns] = parts[segment.label][used[0] : used[-1] + 1]
    seg = Segmentation(
        source_images=identity.frames(scan, part.first + low, part.first + high),
        pixel_array=np.moveaxis(planes, 0, -1),  # a segment lies together in memory: it is summed and cut by segment
        segmentation_type=hd.seg.SegmentationTypeValues.BINARY,
        segment_descriptions=[_description(identity, s, n) for n, s in enumerate(wanted, start=1)],
        series_instance_uid=identity.new_uid("seg", "series", scan.number),
        series_number=SERIES_NUMBER + scan.number,
        sop_instance_uid=identity.new_uid("seg", "instance", scan.number),
        instance_number=1,
        manufacturer=PROGRAM,
        manufacturer_model_name=PROGRAM,
        software_versions=__version__,
        device_serial_number=SERIAL,
        content_label="LESION",
        content_description="Lesion, outer and central zone, mineral",
        content_creator_name=f"{PROGRAM}^",
    )
    for segment, held in zip(wanted, seg.SegmentSequence, strict=True):
        if segment.modifier is not None:
            kind = held.SegmentedPropertyTypeCodeSequence[0]
            kind.SegmentedPropertyTypeModifierCodeSequence = [item(segment.modifier)]
    organisation = identity.new_uid("seg", "dimensions", scan.number)
    for held in (*seg.DimensionOrganizationSequence, *seg.DimensionIndexSequence):
        held.DimensionOrganizationUID = organisation
    seg.SeriesDescription = "mineralize segmentation"
    return seg, identity.finish(seg, scan)


def _description(identity: Identity, segment: Segment, number: int) -> SegmentDescription:
    return SegmentDescription(
        segment_number=number,
        segment_label=segment.label,
        segmented_property_category=code(codes.ABNORMAL),
        segmented_property_type=code(segment.kind),
        algorithm_type=hd.seg.SegmentAlgorithmTypeValues.AUTOMATIC,
        algorithm_identification=AlgorithmIdentificationSequence(
            name=PROGRAM, family=code(codes.EDGE_DETECTION), version=__version__
        ),
        tracking_uid=tracking_uid(identity, segment.label),
        tracking_id=segment.label,
        anatomic_regions=[code(codes.EXTREMITY)],
        display_color=CIELabColor(*segment.lab),
    )


def tracking_uid(identity: Identity, group: str) -> str:
    """The Tracking UID of a region, the same at every time point."""
    return identity.new_uid("tracking", group)


def write(
    study: Study, folder: Path, identity: Identity, parts: Mapping[int, Slab] | None = None
) -> dict[int, Segmentation]:
    """Write ``seg-scan-N.dcm`` for every scan in which the lesion was outlined; the objects by scan number.

    A scan whose images nothing can refer to under this policy is left out; :func:`refused` says which and why. With
    ``parts`` of :func:`slabs` no voxel is asked for.
    """
    written: dict[int, Segmentation] = {}
    for number, part in (slabs(study, identity) if parts is None else parts).items():
        scan = study.timeline.scan(number)
        if not part.boxes["lesion"].any():
            continue
        written[scan.number], content = build(identity, scan, part)
        (folder / f"seg-scan-{scan.number}.dcm").write_bytes(content)
    return written


def refused(study: Study, identity: Identity) -> tuple[Note, ...]:
    """One note for each scan that :func:`write` leaves out although the lesion was outlined."""
    scans = [study.timeline.scan(o.scan) for o in study.outlines if o is not None]
    return tuple(
        Note("dicom-not-written", f"no segmentation: {reason}", "caution", f"scan {scan.number}")
        for scan in scans
        if (reason := identity.refusal(scan))
    )
