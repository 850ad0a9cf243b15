"""What the scans say together: changes between time points and findings in words, as groups of the report."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import Any

import highdicom.sr as hsr

from ..base import Term
from ..change import Change
from ..correlate import Finding
from ..timeline import Timeline
from . import codes, sr_items
from .identity import Identity
from .seg import code

FINDINGS = "findings"
REAL: dict[str, Term] = {"yes": codes.YES, "no": codes.NO, "unsure": codes.UNDETERMINED}
TRUST: dict[str, Term] = {"ok": codes.TRUSTED, "caution": codes.CAUTION, "withheld": codes.WITHHELD}


def change_groups(identity: Identity, timeline: Timeline, changes: Sequence[Change]) -> list[Any]:
    """A group for every two scans: each difference with interval, percent, rate, and whether it is real and why.

    A difference of which a side is withheld is an evaluation without a number.
    """
    pairs: dict[tuple[int, int], list[Change]] = defaultdict(list)
    for change in changes:
        pairs[change.from_scan, change.to_scan].append(change)
    groups = []
    for (first, last), rows in pairs.items():
        measured, said = [], []
        for change in rows:
            row = codes.coded(change.quantity)
            if row is None:
                continue
            if change.difference is None:
                said.append(sr_items.evaluation(row.told, codes.WITHHELD, change.reason))
                continue
            made = sr_items.number(
                row, row.told, change.difference, change.low, change.high, derivation=codes.DIFFERENCE
            )
            if change.percent is not None:
                sr_items.further(made, codes.PERCENT_CHANGE, change.percent, codes.PERCENT)
            if change.per_30_days is not None:
                sr_items.further(made, codes.RATE, change.per_30_days * row.factor, row.unit)
            sr_items.judged(made, codes.REAL, REAL[change.real], change.reason)
            measured.append(made)
        if measured or said:
            name = f"change from scan {first} to scan {last}"
            groups.append(
                hsr.MeasurementsAndQualitativeEvaluations(
                    tracking_identifier=_tracked(identity, name),
                    time_point_context=time_point(timeline, last),
                    measurements=measured or None,
                    qualitative_evaluations=said or None,
                    finding_category=code(codes.ABNORMAL),
                    finding_type=code(codes.MASS),
                )
            )
    return groups


def finding_group(identity: Identity, timeline: Timeline, findings: Sequence[Finding]) -> list[Any]:
    """One group with every finding in words, its trust and its limits; none where nothing was found."""
    if not findings:
        return []
    group = hsr.MeasurementsAndQualitativeEvaluations(
        tracking_identifier=_tracked(identity, FINDINGS),
        time_point_context=time_point(timeline, timeline.scans[-1].number),
        finding_category=code(codes.ABNORMAL),
        finding_type=code(codes.MASS),
    )
    said = [sr_items.statement(f.text, TRUST[f.trust], [f.limits] if f.limits else []) for f in findings]
    sr_items.words_in(group, said)
    return [group]


def time_point(timeline: Timeline, number: int) -> hsr.TimePointContext:
    """When a scan was made, in days from day zero (TID 1502)."""
    event = codes.ONSET if timeline.day_zero == "onset" else codes.BASELINE
    return hsr.TimePointContext(
        time_point=f"scan {number}",
        time_point_order=number,
        temporal_offset_from_event=hsr.LongitudinalTemporalOffsetFromEvent(
            value=float(timeline.scan(number).day), unit=code(codes.DAY), event_type=code(event)
        ),
    )


def _tracked(identity: Identity, name: str) -> hsr.TrackingIdentifier:
    return hsr.TrackingIdentifier(uid=identity.new_uid("tracking", name), identifier=name)
