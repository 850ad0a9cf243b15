"""The history as one Comprehensive 3D SR, template TID 1500 of PS3.16: every number with unit, interval and trust."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import highdicom.sr as hsr
from highdicom.seg import Segmentation
from pydicom.dataset import Dataset

from .. import __version__
from ..base import Note, Region, Scan, Term
from ..measure import Measurement
from ..study import Study
from . import codes
from .codes import CODED, FOUND
from .identity import PROGRAM, Identity
from .seg import code, refused, tracking_uid
from .seg import write as write_segmentations
from .sr_course import change_groups, finding_group, time_point
from .sr_items import concept, evaluation, measurement

SERIES_NUMBER = 899
TITLE = "Imaging Measurement Report"
GROUPS: tuple[Region, ...] = tuple(FOUND)


def build(
    identity: Identity, study: Study, segmentations: Mapping[int, Segmentation]
) -> tuple[hsr.Comprehensive3DSR, bytes]:
    """One report over all scans, and its file.

    Regions that were segmented are volumetric groups (TID 1411) that refer to their segment; the rest are groups
    without a region (TID 1501), and so are the changes between every two scans and the findings in words. A withheld
    quantity is written without a number, as a qualitative evaluation whose value is Measurement failure; one to be
    used with caution has an evaluation of that meaning beside its number; the reason hangs below either.

    Raises
    ------
    ValueError
        when there is no segmentation to refer to.
    """
    if not segmentations:
        raise ValueError("expected at least one segmentation")
    timeline = study.timeline
    groups: list[Any] = []
    for scan in timeline.scans:
        rows = {m.quantity: m for m in study.measurements if m.scan == scan.number}
        for name in GROUPS:
            group = _group(identity, study, scan, name, rows, seg=segmentations.get(scan.number))
            if group is not None:
                groups.append(group)
    groups += change_groups(identity, timeline, study.changes)
    groups += finding_group(identity, timeline, study.findings)
    sources = [frame for n in sorted(segmentations) for frame in _sources(identity, timeline.scan(n), segmentations[n])]
    sr = hsr.Comprehensive3DSR(
        evidence=[*(segmentations[n] for n in sorted(segmentations, reverse=True)), *sources],
        content=_report(identity, groups[:1]),
        series_instance_uid=identity.new_uid("sr", "series"),
        series_number=SERIES_NUMBER,
        sop_instance_uid=identity.new_uid("sr", "instance"),
        instance_number=1,
        manufacturer=PROGRAM,
        is_complete=True,
        is_final=False,
        is_verified=False,
    )
    # The library copies and searches all it is handed, which takes longer than to make it: the whole comes after.
    sr.ContentSequence = _report(identity, groups).ContentSequence
    sr.SeriesDescription = f"{PROGRAM} measurements"
    sr.ManufacturerModelName = PROGRAM
    sr.SoftwareVersions = __version__
    return sr, identity.finish(sr, timeline.scan(max(segmentations)))


def _report(identity: Identity, groups: Sequence[Any]) -> Dataset:
    """The root of the content tree (TID 1500) over groups of measurements."""
    report: Dataset = hsr.MeasurementReport(
        observation_context=hsr.ObservationContext(
            observer_device_context=hsr.ObserverContext(
                observer_type=concept(Term("121007", "DCM", "Device")),
                observer_identifying_attributes=hsr.DeviceObserverIdentifyingAttributes(
                    uid=identity.new_uid("device"), name=PROGRAM, manufacturer_name=PROGRAM, model_name=PROGRAM
                ),
            )
        ),
        procedure_reported=code(codes.CT_PROCEDURE),
        imaging_measurements=groups,
        title=concept(Term("126000", "DCM", TITLE)),
    )[0]
    return report


def _sources(identity: Identity, scan: Scan, seg: Segmentation) -> list[Dataset]:
    """The source frames that a segmentation refers to."""
    named = {i.ReferencedSOPInstanceUID for s in seg.ReferencedSeriesSequence for i in s.ReferencedInstanceSequence}
    at = [k for k in range(scan.grid.shape[0]) if identity.instance(scan, k) in named]
    frames = identity.frames(scan, min(at), max(at) + 1) if at else []
    return [frame for frame in frames if frame.SOPInstanceUID in named]


def _group(
    identity: Identity,
    study: Study,
    scan: Scan,
    name: Region,
    rows: Mapping[str, Measurement],
    *,
    seg: Segmentation | None,
) -> Any:
    measured, said = [], []
    for row in CODED:
        held = rows.get(row.quantity)
        if row.region != name or held is None:
            continue
        if held.value is None or held.trust == "withheld":
            said.append(evaluation(row.told, codes.WITHHELD, held.reason))
            continue
        measured.append(measurement(row, held, study.settings.mineral.threshold_hu120))
        if held.trust == "caution":
            said.append(evaluation(row.told, codes.CAUTION, held.reason))
    if not measured and not said:
        return None
    category, kind = FOUND[name]
    common: dict[str, Any] = {
        "tracking_identifier": hsr.TrackingIdentifier(uid=tracking_uid(identity, name), identifier=name),
        "time_point_context": time_point(study.timeline, scan.number),
        "measurements": measured or None,
        "qualitative_evaluations": said or None,
        "finding_category": code(category),
        "finding_type": code(kind),
    }
    number = next((int(s.SegmentNumber) for s in seg.SegmentSequence if s.SegmentLabel == name), 0) if seg else 0
    if seg is None or not number:
        return hsr.MeasurementsAndQualitativeEvaluations(**common)
    segment = hsr.ReferencedSegment(
        sop_class_uid=seg.SOPClassUID,
        sop_instance_uid=seg.SOPInstanceUID,
        segment_number=number,
        source_series=hsr.SourceSeriesForSegmentation(seg.ReferencedSeriesSequence[0].SeriesInstanceUID),
    )
    return hsr.VolumetricROIMeasurementsAndQualitativeEvaluations(referenced_segment=segment, **common)


def write(study: Study, segmentations: Mapping[int, Segmentation], folder: Path, identity: Identity) -> Path | None:
    """Write ``measurements-sr.dcm``; ``None`` when no lesion was segmented."""
    if not segmentations:
        return None
    path = folder / "measurements-sr.dcm"
    path.write_bytes(build(identity, study, segmentations)[1])
    return path


def export(
    study: Study, folder: Path, *, keep_identifiers: bool = False, keep_dates: bool = False
) -> tuple[tuple[Path, ...], tuple[Note, ...]]:
    """Write all segmentations and the report into an existing folder, with one identity policy.

    Returns what was written and a note for each scan that could not be segmented under the policy.
    """
    identity = Identity(
        study.timeline, keep_identifiers=keep_identifiers, keep_dates=keep_dates, settings=study.settings
    )
    segmentations = write_segmentations(study, folder, identity)
    write(study, segmentations, folder, identity)
    return tuple(sorted(folder.glob("*.dcm"))), refused(study, identity)
