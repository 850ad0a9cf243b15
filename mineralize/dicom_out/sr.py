"""The history as one Comprehensive 3D SR, template TID 1500 of PS3.16: every number with unit, interval and trust."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import highdicom.sr as hsr
from highdicom.seg import Segmentation
from highdicom.sr import CodedConcept, ContentSequence, NumContentItem, RelationshipTypeValues
from pydicom.dataset import Dataset

from .. import __version__
from ..base import Note, Scan
from ..measure import Measurement
from ..study import Study
from ..timeline import Timeline
from . import codes
from .codes import CODED, SEGMENTS, Coded, Group, Term
from .identity import Identity
from .seg import MANUFACTURER, code, refused, tracking_uid
from .seg import write as write_segmentations

SERIES_NUMBER = 899
TITLE = "Imaging Measurement Report"
GROUPS: tuple[Group, ...] = ("lesion", "rim", "core", "mineral", "surroundings", "reference")


def build(
    identity: Identity,
    timeline: Timeline,
    measurements: Sequence[Measurement],
    segmentations: Mapping[int, Segmentation],
) -> hsr.Comprehensive3DSR:
    """One report over all scans.

    Regions that were segmented are volumetric groups (TID 1411) that refer to their segment; the rest are groups
    without a region (TID 1501). A withheld quantity is written without a number, as a qualitative evaluation whose
    value is Measurement failure; one to be used with caution has an evaluation of that meaning beside its number.

    Raises
    ------
    ValueError
        when there is no segmentation to refer to.
    """
    if not segmentations:
        raise ValueError("expected at least one segmentation")
    groups: list[Any] = []
    for scan in timeline.scans:
        rows = {m.quantity: m for m in measurements if m.scan == scan.number}
        for name in GROUPS:
            group = _group(identity, timeline, scan, name, rows, segmentations.get(scan.number))
            if group is not None:
                groups.append(group)
    last = timeline.scan(max(segmentations))
    evidence = [segmentations[n] for n in sorted(segmentations, reverse=True)]
    report = hsr.MeasurementReport(
        observation_context=hsr.ObservationContext(
            observer_device_context=hsr.ObserverContext(
                observer_type=_concept(Term("121007", "DCM", "Device")),
                observer_identifying_attributes=hsr.DeviceObserverIdentifyingAttributes(
                    uid=identity.new_uid("device"),
                    name=MANUFACTURER,
                    manufacturer_name=MANUFACTURER,
                    model_name=MANUFACTURER,
                ),
            )
        ),
        procedure_reported=code(codes.CT_PROCEDURE),
        imaging_measurements=groups,
        title=_concept(Term("126000", "DCM", TITLE)),
    )
    sources = [frame for n in sorted(segmentations) for frame in _sources(identity, timeline.scan(n), segmentations[n])]
    sr = hsr.Comprehensive3DSR(
        evidence=[*evidence, *sources],
        content=report,
        series_instance_uid=identity.new_uid("sr", "series"),
        series_number=SERIES_NUMBER,
        sop_instance_uid=identity.new_uid("sr", "instance"),
        instance_number=1,
        manufacturer=MANUFACTURER,
        is_complete=True,
        is_final=False,
        is_verified=False,
    )
    sr.SeriesDescription = "mineralize measurements"
    sr.ManufacturerModelName = MANUFACTURER
    sr.SoftwareVersions = __version__
    identity.finish(sr, last)
    return sr


def _sources(identity: Identity, scan: Scan, seg: Segmentation) -> list[Dataset]:
    """The source frames that a segmentation refers to."""
    named = {i.ReferencedSOPInstanceUID for s in seg.ReferencedSeriesSequence for i in s.ReferencedInstanceSequence}
    at = [k for k in range(scan.grid.shape[0]) if identity.instance(scan, k) in named]
    frames = identity.frames(scan, min(at), max(at) + 1) if at else []
    return [frame for frame in frames if frame.SOPInstanceUID in named]


def _group(
    identity: Identity,
    timeline: Timeline,
    scan: Scan,
    name: Group,
    rows: Mapping[str, Measurement],
    seg: Segmentation | None,
) -> Any:
    measured, said = [], []
    for row in CODED:
        held = rows.get(row.quantity)
        if row.group != name or held is None:
            continue
        if held.value is None or held.trust == "withheld":
            said.append(_evaluation(row, codes.WITHHELD))
            continue
        measured.append(_measurement(row, held))
        if held.trust == "caution":
            said.append(_evaluation(row, codes.CAUTION))
    if not measured and not said:
        return None
    common: dict[str, Any] = {
        "tracking_identifier": hsr.TrackingIdentifier(uid=tracking_uid(identity, name), identifier=name),
        "time_point_context": _time_point(timeline, scan),
        "measurements": measured or None,
        "qualitative_evaluations": said or None,
        "finding_category": code(codes.ABNORMAL),
    }
    kind = next((s.kind for s in SEGMENTS if s.label == name), codes.MASS)
    number = next((int(s.SegmentNumber) for s in seg.SegmentSequence if s.SegmentLabel == name), 0) if seg else 0
    if seg is None or not number:
        return hsr.MeasurementsAndQualitativeEvaluations(finding_type=code(kind), **common)
    source = seg.ReferencedSeriesSequence[0].SeriesInstanceUID
    segment = hsr.ReferencedSegment(
        sop_class_uid=seg.SOPClassUID,
        sop_instance_uid=seg.SOPInstanceUID,
        segment_number=number,
        source_series=hsr.SourceSeriesForSegmentation(source),
    )
    return hsr.VolumetricROIMeasurementsAndQualitativeEvaluations(
        referenced_segment=segment, finding_type=code(kind), **common
    )


def _time_point(timeline: Timeline, scan: Scan) -> hsr.TimePointContext:
    event = codes.ONSET if timeline.day_zero == "onset" else codes.BASELINE
    return hsr.TimePointContext(
        time_point=f"scan {scan.number}",
        time_point_order=scan.number,
        temporal_offset_from_event=hsr.LongitudinalTemporalOffsetFromEvent(
            value=float(scan.day), unit=code(codes.DAY), event_type=code(event)
        ),
    )


def _measurement(row: Coded, held: Measurement) -> hsr.Measurement:
    assert held.value is not None
    value = held.value * row.factor
    made = hsr.Measurement(
        name=code(row.name),
        value=value,
        unit=code(row.unit),
        derivation=None if row.derivation is None else code(row.derivation),
        finding_sites=None if row.site is None else [hsr.FindingSite(code(row.site))],
    )
    number = made[0]
    if "ContentSequence" not in number:
        number.ContentSequence = ContentSequence()
    for term, bound, sign in ((codes.UPPER_UNCERTAINTY, held.high, 1.0), (codes.LOWER_UNCERTAINTY, held.low, -1.0)):
        if bound is not None:
            # the library's own property has no unit; the range has the unit of the value
            number.ContentSequence.append(
                NumContentItem(
                    name=_concept(term),
                    value=max(0.0, sign * (bound * row.factor - value)),
                    unit=code(row.unit),
                    relationship_type=RelationshipTypeValues.HAS_PROPERTIES,
                )
            )
    return made


def _evaluation(row: Coded, value: Term) -> hsr.QualitativeEvaluation:
    return hsr.QualitativeEvaluation(name=code(row.told), value=code(value))


def _concept(term: Term) -> CodedConcept:
    return CodedConcept(value=term.value, scheme_designator=term.scheme, meaning=term.meaning)


def write(study: Study, segmentations: Mapping[int, Segmentation], folder: Path, identity: Identity) -> Path | None:
    """Write ``measurements-sr.dcm``; ``None`` when no lesion was segmented."""
    if not segmentations:
        return None
    path = folder / "measurements-sr.dcm"
    build(identity, study.timeline, study.measurements, segmentations).save_as(path)
    return path


def export(
    study: Study, folder: Path, *, keep_identifiers: bool = False, keep_dates: bool = False
) -> tuple[tuple[Path, ...], tuple[Note, ...]]:
    """Write all segmentations and the report into an existing folder, with one identity policy.

    Returns what was written and a note for each scan that could not be segmented under the policy.
    """
    identity = Identity(study.timeline, keep_identifiers=keep_identifiers, keep_dates=keep_dates)
    segmentations = write_segmentations(study, folder, identity)
    write(study, segmentations, folder, identity)
    return tuple(sorted(folder.glob("*.dcm"))), refused(study, identity)
