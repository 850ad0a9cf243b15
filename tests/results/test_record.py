"""The record: strict JSON, valid against its schema, nothing private in it, and back again."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
import study_factory

from mineralize.base import InputError
from mineralize.results import record, rows, views


@pytest.fixture(scope="module")
def study() -> Any:
    return study_factory.study(untrusted=4, unresolved=2)


@pytest.fixture(scope="module")
def document(study: Any) -> Any:
    return record.history(study, views.plan(study))


def test_is_strict_json_and_fits_its_schema(document: Any) -> None:
    """Judge: the jsonschema library, JSON Schema 2020-12; strict JSON by RFC 8259 (no NaN, no Infinity)."""

    def refuse(token: str) -> None:
        raise AssertionError(f"{token} is no JSON")

    text = record.dumps(document)
    parsed = json.loads(text, parse_constant=refuse)
    assert parsed == document
    jsonschema.Draft202012Validator.check_schema(record.schema())
    jsonschema.validate(parsed, record.schema())


@pytest.mark.parametrize(
    "spoil",
    [
        lambda d: d.pop("alignment"),
        lambda d: d.update(schema="mineralize-history/0"),
        lambda d: d["measurements"][0].update(trust="good"),
        lambda d: d["measurements"][0].update(trust="withheld", reason="x"),
        lambda d: d["alignment"][0]["matrix"].pop(),
        lambda d: d["scans"][0].update(patient="someone"),
        lambda d: d["changes"][0].update(real="maybe"),
    ],
)
def test_schema_refuses(document: Any, spoil: Any) -> None:
    spoiled = json.loads(record.dumps(document))
    spoil(spoiled)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(spoiled, record.schema())


def test_alignment_maps_this_scan_to_the_reference(study: Any, document: Any) -> None:
    """The matrix is row-major and maps LPS mm of its scan to the reference scan: the lesion lands on itself."""
    home = np.array(document["lesion"]["centroids"][study.reference_scan - 1]["centroid"])
    for entry, place in zip(document["alignment"], document["lesion"]["centroids"], strict=True):
        assert entry["reference_scan"] == study.reference_scan
        moved = np.array(entry["matrix"]) @ [*place["centroid"], 1.0]
        assert np.allclose(moved[:3], home, atol=1e-4)
        assert entry["scan"] == place["scan"]
    assert document["scans"][1]["alignment"] == document["alignment"][1]
    assert document["scans"][1]["lesion"]["centroid"] == document["lesion"]["centroids"][1]["centroid"]


def test_rows_come_back(study: Any, document: Any) -> None:
    again = json.loads(record.dumps(document))
    for row, origin in zip(rows.measurements(again), study.measurements, strict=True):
        assert (row.scan, row.quantity, row.unit, row.trust, row.reason) == (
            origin.scan,
            origin.quantity,
            origin.unit,
            origin.trust,
            origin.reason,
        )
        assert row.value == pytest.approx(origin.value, rel=1e-6) if origin.value is not None else row.value is None
    assert [c.real for c in rows.changes(again)] == [c.real for c in study.changes]
    assert rows.findings(again) == study.findings
    assert [c.quantity for c in rows.curves(again)] == [c.quantity for c in study.curves]
    for back, origin in zip(rows.alignments(again), study.alignments, strict=True):
        assert np.allclose(back.transform.matrix, origin.transform.matrix, atol=1e-9)
        assert (back.trust, back.reason, back.bone_used) == (origin.trust, origin.reason, origin.bone_used)


def test_dates_and_identifiers_only_when_asked(study: Any) -> None:
    scans = tuple(replace(s, identifiers={"StudyInstanceUID": "1.2.CANARY"}) for s in study.timeline.scans)
    marked = replace(study, timeline=replace(study.timeline, scans=scans))
    plain = record.dumps(record.history(marked))
    assert "2031-0" not in plain
    assert "CANARY" not in plain
    kept = record.history(marked, options=record.Options(keep_dates=True, keep_identifiers=True))
    assert kept["scans"][0]["date"] == "2031-01-11"
    assert kept["events"][0]["date"] == "2031-01-01"
    assert kept["scans"][0]["identifiers"] == {"StudyInstanceUID": "1.2.CANARY"}
    jsonschema.validate(kept, record.schema())


def test_a_lesion_not_found_is_said(study: Any) -> None:
    document = record.history(study_factory.study(missing=2))
    assert document["lesion"]["centroids"][1] == {"scan": 2, "centroid": None}
    assert document["lesion"]["outlines"][1]["trust"] == "withheld"
    jsonschema.validate(document, record.schema())


def test_same_study_same_bytes(study: Any, document: Any) -> None:
    assert record.dumps(record.history(study, views.plan(study))) == record.dumps(document)


def test_read_refuses_what_is_no_record(tmp_path: Path, document: Any) -> None:
    path = tmp_path / "history.json"
    path.write_text(record.dumps(document), encoding="utf-8")
    assert record.read(path) == document
    for text, match in (("{", "cannot be read"), ("[]", "schema"), ('{"schema": "other/1"}', "schema")):
        path.write_text(text, encoding="utf-8")
        with pytest.raises(InputError, match=match):
            record.read(path)
    with pytest.raises(InputError, match="cannot be read"):
        record.read(tmp_path / "nothing.json")
