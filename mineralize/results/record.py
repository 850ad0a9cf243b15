"""The study as one strict JSON document.

The document (``history.json``) is the single source of every number that a page or a table prints. Its shape is
fixed by ``history.schema.json`` in this package (JSON Schema 2020-12).
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from importlib import metadata, resources
from pathlib import Path
from typing import Any

import numpy as np

from .. import __version__
from ..align import Alignment
from ..base import InputError, Note, Scan, Verdicts, plain_text, read_json
from ..change import Change
from ..correlate import Answer, Finding, baseline, described, five_answers
from ..measure import DepthProfile, Measurement
from ..study import Study
from ..timeline import Event
from . import texts
from .views import ViewPlan, pictures_of

SCHEMA = "mineralize-history/2"
"""Name and version of the document; the version grows when a reader of the old one would be misled."""
LIBRARIES = ("numpy", "scipy", "scikit-image", "SimpleITK", "pydicom", "matplotlib")
LARGEST_BYTES = 1 << 28
"""Of a record: a case of a hundred scans writes some ten megabytes."""
DIGITS = 7
"""Significant digits of a number in the record: far below any interval, and the same on every machine."""

History = dict[str, Any]


@dataclass(frozen=True)
class Options:
    """What the user asked of the outputs."""

    keep_dates: bool = False
    keep_identifiers: bool = False
    dicom_pdf: bool = False


def history(study: Study, layout: ViewPlan | None = None, options: Options | None = None) -> History:
    """The whole study as plain data: only dicts, lists, strings, finite numbers, booleans and ``None``.

    Parameters
    ----------
    study : what was found out.
    layout : planes and field of view of the pictures, if there are any.
    options : calendar dates and identifiers are written only where these ask for them.
    """
    options = options or Options()
    timeline = study.timeline
    alignment = [_alignment(a) for a in study.alignments]
    centroids = [
        {"scan": scan.number, "centroid": None if point is None else _plain(point)}
        for scan, point in zip(timeline.scans, study.centroids, strict=True)
    ]
    return {
        "schema": SCHEMA,
        "case": plain_text(timeline.alias, one_line=True),
        "day_zero": timeline.day_zero,
        "reference_scan": study.reference_scan,
        "scans": [
            _scan(scan, options, alignment[i], centroids[i]["centroid"]) | _scale(study, scan.number)
            for i, scan in enumerate(timeline.scans)
        ],
        "series": [_plain(asdict(row)) for row in timeline.series],
        "events": [_event(e, options) for e in timeline.events],
        "biopsies": [_plain(asdict(b)) for b in timeline.biopsies],
        "alignment": alignment,
        "lesion": {
            "found_by": study.seed_origin,
            "centroids": centroids,
            "outlines": [_outline(study, i) for i in range(len(timeline.scans))],
            "candidates": [_plain(asdict(c)) for c in study.candidates],
        },
        "measurements": [_measurement(study, row) for row in study.measurements],
        "changes": [_change(row) for row in study.changes],
        "curve": [_plain(asdict(curve)) for curve in study.curves],
        "profiles": [_profile(p) for p in study.profiles if p is not None],
        "correlation": _correlation(study),
        "notes": [_note(n) for n in (*timeline.notes, *study.notes)],
        "pictures": None if layout is None else pictures_of(layout),
        "provenance": {
            "program": "mineralize",
            "version": __version__,
            "input_sha256": timeline.content_hash(),
            "options": _plain(asdict(options)),
            "settings": _plain(asdict(study.settings)),
            "libraries": {name: _version(name) for name in LIBRARIES},
        },
    }


def _event(event: Event, options: Options) -> dict[str, Any]:
    row = {"day": event.day, "kind": event.kind, "text": plain_text(event.text, one_line=True)}
    return row | ({"date": event.date} if options.keep_dates else {})


def _profile(profile: DepthProfile) -> dict[str, Any]:
    names = ("inradius_mm", "depth_mm", "hu120_mean", "hu120_low", "hu120_high")
    return {"scan": profile.scan} | {name: _plain(getattr(profile, name)) for name in names}


def _correlation(study: Study) -> dict[str, Any]:
    return {
        "answers": [_plain(asdict(a)) for a in _answers(study)],
        "baseline": list(baseline(study.timeline, study.measurements)),
        "findings": [_finding(f) for f in study.findings],
        "described": [_plain(asdict(row)) for row in described(study.findings)],
        "expected_tissue": [_plain(asdict(row)) for row in study.expected_tissue],
        "biopsies": [_plain(asdict(report)) for report in study.biopsy_reports],
    }


def dumps(document: History) -> str:
    """Strict JSON text (RFC 8259), keys in their order, lists of numbers on one line."""
    text = json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False)
    flat = re.compile(r"\[\s*((?:-?[\d.eE+-]+|null)(?:,\s*(?:-?[\d.eE+-]+|null))*)\s*\]")
    return flat.sub(lambda m: "[" + re.sub(r",\s*", ", ", m[1]) + "]", text) + "\n"


def read(path: Path) -> History:
    """A record from a file.

    Raises
    ------
    InputError
        where the file is no record of this version.
    """
    try:
        document = read_json(path, "the history file", LARGEST_BYTES)
    except InputError as error:
        raise InputError("the history file cannot be read; give a history.json written by mineralize") from error
    if not isinstance(document, dict) or document.get("schema") != SCHEMA:
        raise InputError(f"expected a history of schema {SCHEMA}; write it again with this version of mineralize")
    return document


def schema() -> dict[str, Any]:
    """The JSON Schema of the record."""
    text = resources.files(__package__).joinpath("history.schema.json").read_text(encoding="utf-8")
    document: dict[str, Any] = json.loads(text)
    return document


def _shallow(row: Any) -> dict[str, Any]:
    return {f.name: getattr(row, f.name) for f in fields(row)}


def _plain(value: Any, digits: int = DIGITS) -> Any:
    """JSON-ready copy: arrays to lists, numbers rounded, what is not finite to ``None``."""
    if isinstance(value, Mapping):
        return {str(k): _plain(v, digits) for k, v in value.items()}
    if isinstance(value, np.ndarray):
        return _plain(value.tolist(), digits)
    if isinstance(value, list | tuple):
        return [_plain(v, digits) for v in value]
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        number = float(value)
        return float(f"{number:.{digits}g}") + 0.0 if math.isfinite(number) else None
    return value if value is None or isinstance(value, str) else str(value)


def _note(note: Note) -> dict[str, str]:
    return {"kind": note.kind, "text": note.text, "level": note.level, "subject": note.subject}


def _alignment(a: Alignment) -> dict[str, Any]:
    row = _shallow(a)
    del row["transform"], row["verdicts"]
    kept = {k: v for k, v in _plain(row).items() if k not in ("scan", "reference_scan")}
    ends = {"scan": a.scan, "reference_scan": a.reference_scan, "matrix": _plain(a.transform.matrix, 12)}
    return ends | kept | {"codes": _codes(a.verdicts)}


def _scan(scan: Scan, options: Options, alignment: dict[str, Any], centroid: Any) -> dict[str, Any]:
    entry: dict[str, Any] = {
        "scan": scan.number,
        "day": scan.day,
        "series": scan.label,
        "acquisition": _plain(asdict(scan.acquisition)),
        "grid": {"shape": list(scan.grid.shape), "spacing_mm": _plain(scan.grid.spacing)},
        "notes": [_note(n) for n in scan.notes],
        "alignment": alignment,
        "lesion": {"centroid": centroid},
    }
    if options.keep_dates:
        entry["date"] = scan.date
    if options.keep_identifiers:
        entry["identifiers"] = dict(scan.identifiers)
    return entry


def _scale(study: Study, number: int) -> dict[str, Any]:
    """The mineral scale of a scan and where it comes from, where the study knows it."""
    own = study.reference(number)
    if own is None:
        return {}
    return {
        "mineral_scale": _plain(
            {
                "kvp": own.kvp,
                "slope_hu_per_mg_cm3": own.slope,
                "uncertainty": own.slope_uncertainty,
                "source": own.slope_source,
                "cortex_off_percent": None if own.cortex_off is None else 100 * own.cortex_off,
            }
        )
    }


def _outline(study: Study, index: int) -> dict[str, Any]:
    outline = study.outlines[index]
    number = study.timeline.scans[index].number
    if outline is None:
        return {
            "scan": number,
            "method": "",
            "spread_mm": None,
            "bridged_share": None,
            "trust": "withheld",
            "reason": texts.NO_LESION,
            "codes": ["lesion-not-found"],
            "notes": [],
        }
    return {
        "scan": number,
        "method": outline.method,
        "spread_mm": _plain(outline.spread_mm),
        "bridged_share": _plain(float((np.asarray(outline.supported) < 0.5).mean())),
        "trust": outline.trust,
        "reason": outline.reason,
        "codes": _codes(outline.verdicts),
        "notes": [_note(n) for n in outline.notes],
    }


def _measurement(study: Study, row: Measurement) -> dict[str, Any]:
    entry: dict[str, Any] = _plain(_shallow(row))
    del entry["parts"]  # changes have used them already
    del entry["verdicts"]
    return {"scan": row.scan, "day": study.timeline.scan(row.scan).day} | entry | {"codes": _codes(row.verdicts)}


def _change(row: Change) -> dict[str, Any]:
    entry: dict[str, Any] = _plain(_shallow(row))
    del entry["verdicts"]
    return entry | {"codes": _codes(row.verdicts)}


def _codes(verdicts: Verdicts) -> list[str]:
    """The codes of what limits a value, none twice."""
    return list(dict.fromkeys(verdict.code for verdict in verdicts))


def _answers(study: Study) -> tuple[Answer, ...]:
    said, biopsies = study.findings, study.biopsy_reports
    return five_answers(
        study.timeline, study.measurements, study.changes, study.alignments, said=said, biopsies=biopsies
    )


def _finding(f: Finding) -> dict[str, Any]:
    row: dict[str, Any] = _plain(_shallow(f))
    return row | {
        "rests_on": [{"scan": scan, "quantity": quantity} for scan, quantity in f.rests_on],
        "rests_on_changes": [
            {"from_scan": first, "to_scan": last, "quantity": quantity} for first, last, quantity in f.rests_on_changes
        ],
    }


def _version(name: str) -> str:
    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return "unknown"
