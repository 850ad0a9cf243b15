"""Spoiled records are refused: by the schema (judge: the jsonschema library), or as contradictions."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from typing import Any

import jsonschema
import pytest
import study_factory

from mineralize.results import contradictions, record, views

Spoil = Callable[[Any], Any]
VALIDATOR = jsonschema.Draft202012Validator(record.schema())


@pytest.fixture(scope="module")
def written() -> str:
    study = study_factory.study(untrusted=4, unresolved=2)
    return record.dumps(
        record.history(study, views.plan(study), record.Options(keep_dates=True, keep_identifiers=True))
    )


def row(trust: str, rows: list[Any]) -> Any:
    return next(r for r in rows if r["trust"] == trust)


SPOILED: dict[str, Spoil] = {
    "a name in the acquisition": lambda d: d["scans"][0]["acquisition"].update(PatientName="Zzyx"),
    "a name in a series": lambda d: d["series"][0].update(PatientName="Zzyx"),
    "a name in an alignment": lambda d: d["alignment"][0].update(PatientName="Zzyx"),
    "a name in a scan's alignment": lambda d: d["scans"][1]["alignment"].update(PatientName="Zzyx"),
    "a name in a curve": lambda d: d["curve"][0].update(PatientName="Zzyx"),
    "a name in a point of a curve": lambda d: d["curve"][0]["points"][0].update(PatientName="Zzyx"),
    "a name in a biopsy": lambda d: d["biopsies"][0].update(PatientName="Zzyx"),
    "a name in a candidate": lambda d: d["lesion"]["candidates"][0].update(PatientName="Zzyx"),
    "a name in the options": lambda d: d["provenance"]["options"].update(PatientName="Zzyx"),
    "a name in the settings": lambda d: d["provenance"]["settings"].update(PatientName="Zzyx"),
    "a name in a group of settings": lambda d: d["provenance"]["settings"]["mineral"].update(PatientName="Zzyx"),
    "a name among the libraries": lambda d: d["provenance"]["libraries"].update(PatientName="Zzyx"),
    "a name among the identifiers": lambda d: d["scans"][0]["identifiers"].update(PatientName="Zzyx"),
    "a name in a detail": lambda d: d["measurements"][0].update(detail={"PatientName": "Zzyx"}),
    "a name in expected tissue": lambda d: d["correlation"]["expected_tissue"][0].update(PatientName="Zzyx"),
    "a name in a measurement": lambda d: d["measurements"][0].update(PatientName="Zzyx"),
    "an unknown quantity": lambda d: d["measurements"][0].update(quantity="lesion_weight"),
    "an unknown quantity of a change": lambda d: d["changes"][0].update(quantity="lesion_weight"),
    "an unknown quantity of a curve": lambda d: d["curve"][0].update(quantity="lesion_weight"),
    "a threshold that is no number": lambda d: d["measurements"][0].update(quantity="mineral_volume_high"),
    "an unknown unit": lambda d: d["measurements"][0].update(unit="ml"),
    "an unknown unit of a change": lambda d: d["changes"][0].update(unit=""),
    "ok without a value": lambda d: row("ok", d["measurements"]).update(value=None),
    "ok without an interval": lambda d: row("ok", d["measurements"]).update(low=None),
    "ok with a reason": lambda d: row("ok", d["measurements"]).update(reason="because"),
    "ok with a code": lambda d: row("ok", d["measurements"]).update(codes=["noise-alone"]),
    "a caution without a reason": lambda d: d["measurements"][0].update(trust="caution", reason="", codes=[]),
    "a caution without a value": lambda d: d["measurements"][0].update(trust="caution", reason="x", value=None),
    "withheld with a value": lambda d: row("withheld", d["measurements"]).update(value=1.0),
    "withheld without a reason": lambda d: row("withheld", d["measurements"]).update(reason=""),
    "an alignment in doubt without a reason": lambda d: d["alignment"][0].update(trust="caution", reason=""),
    "a trust that is a boolean": lambda d: d["measurements"][0].update(trust=True),
    "a real that is a boolean": lambda d: d["changes"][0].update(real=True),
    "a volume below zero": lambda d: d["measurements"][0].update(value=-1.0, low=-2.0),
    "a share above one": lambda d: next(r for r in d["measurements"] if r["quantity"] == "rim_completeness").update(
        trust="ok", reason="", codes=[], value=1.5, low=1.4, high=1.6
    ),
    "an overlap above one": lambda d: d["alignment"][1].update(overlap=1.5),
    "a tube voltage below zero": lambda d: d["scans"][0]["acquisition"].update(kvp=-120),
    "a day that is no whole number": lambda d: d["scans"][0].update(day=1.5),
    "a day of another century": lambda d: d["scans"][0].update(day=10**6),
    "a scan 0": lambda d: d["measurements"][0].update(scan=0),
    "days that run backward": lambda d: d["changes"][0].update(days=-3),
    "no difference, yet real": lambda d: d["changes"][0].update(difference=None, real="yes"),
    "a difference without an interval": lambda d: next(
        c for c in d["changes"] if c["difference"] is not None
    ).update(low=None),
    "a hash that is none": lambda d: d["provenance"].update(input_sha256="Zzyx"),
    "a program of another name": lambda d: d["provenance"].update(program="other"),
    "a setting out of its range": lambda d: d["provenance"]["settings"]["zones"].update(core_depth_fraction=5),
    "spacing of zero": lambda d: d["scans"][0]["grid"].update(spacing_mm=[0, 1, 1]),
    "a case without a name": lambda d: d.update(case=""),
    "a date in words": lambda d: d["scans"][0].update(date="May 2024"),
    "a kernel class that there is not": lambda d: d["scans"][0]["acquisition"].update(kernel_class="smooth"),
}  # fmt: skip


def test_what_is_written_is_valid_and_says_nothing_twice(written: str) -> None:
    document = json.loads(written)
    assert [e.message for e in VALIDATOR.iter_errors(document)] == []
    assert contradictions(document) == []


@pytest.mark.parametrize("spoil", SPOILED.values(), ids=SPOILED.keys())
def test_the_schema_refuses(written: str, spoil: Spoil) -> None:
    document = json.loads(written)
    spoil(document)
    assert not VALIDATOR.is_valid(document)


def objects(schema: Any, at: str = "") -> Iterator[tuple[str, dict[str, Any]]]:
    """Every object of the schema with its place."""
    if isinstance(schema, dict):
        if schema.get("type") in ("object", ["object", "null"]):
            yield at, schema
        for name, value in schema.items():
            yield from objects(value, f"{at}/{name}")
    elif isinstance(schema, list):
        for n, value in enumerate(schema):
            yield from objects(value, f"{at}/{n}")


def test_every_object_of_the_schema_is_closed() -> None:
    found = dict(objects(record.schema()))
    assert len(found) > 25
    open_ = [at for at, one in found.items() if one.get("additionalProperties", True) is True]
    assert open_ == []


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda d: row("ok", d["measurements"]).update(value=1e9), "outside its interval"),
        (lambda d: row("ok", d["measurements"]).update(low=1e9, high=2e9), "outside its interval"),
        (lambda d: d["measurements"].append(d["measurements"][0]), "a second row"),
        (lambda d: d["measurements"][0].update(day=77), "not the day of its scan"),
        (lambda d: d["changes"][0].update(from_scan=2, to_scan=1), "the earlier first"),
        (lambda d: d["changes"][0].update(days=1), "not the days between"),
        (lambda d: d["changes"][0].update(difference=1e9, low=1.0, high=2.0), "outside its interval"),
        (lambda d: d["changes"][0].update(difference=0.0, low=-1.0, high=1.0, real="yes"), "holds no change"),
        (lambda d: d["scans"].reverse(), "in time order"),
        (lambda d: d.update(reference_scan=9), "no such scan"),
    ],
)
def test_contradictions_are_found(written: str, spoil: Spoil, words: str) -> None:
    document = json.loads(written)
    spoil(document)
    assert any(words in found for found in contradictions(document))
