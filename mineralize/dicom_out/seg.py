"""Lesion, rim, core and mineral of each scan as a binary DICOM Segmentation on the scan's own frames (PS3.3 A.51)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import highdicom as hd
import numpy as np
from highdicom.color import CIELabColor
from highdicom.content import AlgorithmIdentificationSequence
from highdicom.seg import Segmentation, SegmentDescription
from numpy.typing import NDArray
from pydicom.sr.coding import Code

from .. import __version__
from ..base import Note, Scan, Term, to_hu120
from ..lesion import boxed_masks
from ..reference import table_slope
from ..study import Study
from . import codes
from .codes import SEGMENTS, Segment
from .identity import PROGRAM, Identity, item


@dataclass(frozen=True, eq=False)
class Slab:
    """Boolean masks by name of some slices of a scan, held as the box outside which nothing is marked.

    ``first`` is the slice of the scan's grid at which they begin, ``shape`` their own (slices, rows, columns),
    ``window`` where the ``boxes`` lie in it.
    """

    first: int
    shape: tuple[int, ...]
    window: tuple[slice, slice, slice]
    boxes: Mapping[str, NDArray[np.bool_]]

    @classmethod
    def of(cls, first: int, masks: Mapping[str, NDArray[np.bool_]]) -> Slab:
        """The box of what is marked in masks over whole slices."""
        marked = np.logical_or.reduce(list(masks.values()))
        spans = [np.flatnonzero(marked.any(axis=tuple(a for a in range(3) if a != axis))) for axis in range(3)]
        z, y, x = (slice(int(span[0]), int(span[-1]) + 1) if len(span) else slice(0, 0) for span in spans)
        return cls(first, marked.shape, (z, y, x), {name: mask[z, y, x].copy() for name, mask in masks.items()})

    @property
    def masks(self) -> dict[str, NDArray[np.bool_]]:
        """The masks over whole slices, laid out anew."""
        found = {name: np.zeros(self.shape, bool) for name in self.boxes}
        for name, box in self.boxes.items():
            found[name][self.window] = box
        return found


SERIAL = "none"
SERIES_NUMBER = 900
SOFT_HU = 50.0
"""Muscle, where the scan's own muscle was withheld (Goodpaster 2000: 49 HU)."""


def code(term: Term) -> Code:
    """A term as pydicom takes it."""
    return Code(term.value, term.scheme, term.meaning)


def slab(study: Study, number: int) -> Slab:
    """Masks ``lesion``, ``rim``, ``core`` and ``mineral`` over the slices that the outline spans in one scan.

    Mineral is what reaches the threshold at 120 kVp equivalent inside the lesion, as in ``mineral_volume``.

    Raises
    ------
    KeyError
        when the lesion was not outlined in that scan.
    """
    outline = next((o for o in study.outlines if o is not None and o.scan == number), None)
    if outline is None:
        raise KeyError(f"the lesion was not outlined in scan {number}")
    scan = study.timeline.scan(number)
    (first, last), *_ = scan.grid.bounds_around(outline.vertices, float(scan.grid.spacing[0]))
    planes = scan.grid.cropped(((first, last), (0, scan.grid.shape[1]), (0, scan.grid.shape[2])))
    window, found = boxed_masks(outline, planes, study.settings.zones)
    muscle = study.measurement(number, "reference_muscle")
    soft = SOFT_HU if muscle is None or muscle.value is None else muscle.value
    lesion = found["lesion"]
    reference = study.reference(number)
    own_slope = (reference or table_slope(scan.acquisition, study.settings.mineral)).slope
    hu120 = to_hu120(scan.volume.hu[first:last][window][lesion].astype(np.float32), soft, own_slope)
    mineral = np.zeros(lesion.shape, bool)
    mineral[lesion] = hu120 >= study.settings.mineral.threshold_hu120
    boxes = {"lesion": lesion, "rim": found["rim"], "core": found["core"], "mineral": mineral}
    return Slab(first, planes.shape, window, boxes)


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
    pixels = np.zeros((high - low, *scan.grid.shape[1:], len(wanted)), np.uint8)
    for k, segment in enumerate(wanted):
        pixels[:, rows, columns, k] = parts[segment.label][used[0] : used[-1] + 1]
    seg = Segmentation(
        source_images=identity.frames(scan, part.first + low, part.first + high),
        pixel_array=pixels,
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


def slabs(study: Study, identity: Identity) -> dict[int, Slab]:
    """The masks of every scan that a segmentation is written of, by scan number: all that is asked of its voxels."""
    found = {}
    for outline in study.outlines:
        scan = None if outline is None else study.timeline.scan(outline.scan)
        if scan is None or identity.refusal(scan):
            continue
        held = "volume" in scan.__dict__
        found[scan.number] = slab(study, scan.number)
        scan.volume.rest()
        if not held:
            scan.forget()
    return found


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
