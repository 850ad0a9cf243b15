"""The rows of a record back as objects: what ``history.json`` holds, as the stages made it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from typing import Any

import numpy as np

from ..align import Alignment
from ..base import Rigid
from ..change import Change, Course, Curve, CurvePoint
from ..correlate import Finding
from ..measure import Measurement


def measurements(document: Mapping[str, Any]) -> tuple[Measurement, ...]:
    """The measurement rows of a record."""
    return tuple(Measurement(**_known(Measurement, row)) for row in document["measurements"])


def changes(document: Mapping[str, Any]) -> tuple[Change, ...]:
    """The change rows of a record."""
    return tuple(Change(**_known(Change, row)) for row in document["changes"])


def alignments(document: Mapping[str, Any]) -> tuple[Alignment, ...]:
    """The alignments of a record."""
    return tuple(
        Alignment(**(_known(Alignment, row) | {"transform": Rigid(np.array(row["matrix"]))}))
        for row in document["alignment"]
    )


def curves(document: Mapping[str, Any]) -> tuple[Curve, ...]:
    """The curves of a record."""
    return tuple(
        Curve(**(_known(Curve, row) | {"points": _points(row), "course": Course.from_row(row.get("course"))}))
        for row in document["curve"]
    )


def _points(row: Mapping[str, Any]) -> tuple[CurvePoint, ...]:
    return tuple(CurvePoint(**point) for point in row["points"])


def findings(document: Mapping[str, Any]) -> tuple[Finding, ...]:
    """The findings of a record."""
    return tuple(
        Finding(
            **_known(Finding, row)
            | {
                "rests_on": tuple((r["scan"], r["quantity"]) for r in row["rests_on"]),
                "rests_on_changes": tuple(
                    (r["from_scan"], r["to_scan"], r["quantity"]) for r in row["rests_on_changes"]
                ),
                "sources": tuple(row["sources"]),
            }
        )
        for row in document["correlation"]["findings"]
    )


def _known(kind: type[Any], row: Mapping[str, Any]) -> dict[str, Any]:
    names = {f.name for f in fields(kind)}
    return {name: value for name, value in row.items() if name in names}
