"""Changes and findings in the report, and what hangs below its numbers: read by pydicom alone."""

from __future__ import annotations

import pydicom
import pytest
import study_factory
from dicom_reading import child, export, groups, named, regions, triple
from pydicom.dataset import Dataset

from mineralize.dicom_out import codes
from mineralize.study import Study


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Study, Dataset]:
    study = study_factory.study(unresolved=4)
    _, path = export(study, tmp_path_factory.mktemp("dicom"))
    return study, pydicom.dcmread(path)


def number(item: Dataset) -> tuple[float, str]:
    held = item.MeasuredValueSequence[0]
    return float(held.get("FloatingPointValue", held.NumericValue)), triple(held.MeasurementUnitsCodeSequence)[0]


def test_every_change_is_in_the_report(made: tuple[Study, Dataset]) -> None:
    study, report = made
    written = {named(g): g for g in groups(report) if named(g).startswith("change ")}
    seen = 0
    for change in study.changes:
        row = codes.coded(change.quantity)
        if row is None:
            continue
        group = written[f"change from scan {change.from_scan} to scan {change.to_scan}"]
        assert number(child(group, "126073")[0])[0] == change.to_scan  # order of the time point
        (item,) = child(group, row.told.value)
        if change.difference is None:
            assert (item.ValueType, triple(item.ConceptCodeSequence)[0]) == ("CODE", "114006")
            assert [c.TextValue for c in child(item, "121106")] == [change.reason]
            continue
        assert item.ValueType == "NUM"
        value, unit = number(item)
        assert (value, unit) == (pytest.approx(change.difference * row.factor, abs=1e-9), row.unit.value)
        assert triple(child(item, "121401")[0].ConceptCodeSequence)[0] == "DIFFERENCE"
        low, high = value - number(child(item, "371885007")[0])[0], value + number(child(item, "371886008")[0])[0]
        assert low == pytest.approx(change.low * row.factor, rel=1e-9, abs=1e-9)  # type: ignore[operator]
        assert high == pytest.approx(change.high * row.factor, rel=1e-9, abs=1e-9)  # type: ignore[operator]
        percent = [number(c) for c in child(item, "PERCENTCHANGE")]
        assert percent == ([] if change.percent is None else [(pytest.approx(change.percent), "%")])
        said = triple(child(item, "REAL")[0].ConceptCodeSequence)[0]
        assert said == {"yes": "373066001", "no": "373067005", "unsure": "373068000"}[change.real]  # PS3.16 CID 230
        assert [c.TextValue for c in child(item, "121106")] == ([change.reason] if change.reason else [])
        seen += 1
    assert seen > 100


def test_findings_stand_in_words_with_trust_and_limits(made: tuple[Study, Dataset]) -> None:
    study, report = made
    (group,) = [g for g in groups(report) if named(g) == "findings"]
    said = child(group, "121071")
    texts = [item for item in said if item.ValueType == "TEXT"]
    assert [t.TextValue for t in texts] == [f.text for f in study.findings]
    for item, finding in zip(texts, study.findings, strict=True):
        trust = {"ok": "TRUSTED", "caution": "CAUTION", "withheld": "114006"}[finding.trust]
        assert triple(child(item, "TRUST")[0].ConceptCodeSequence)[0] == trust
        assert [c.TextValue for c in child(item, "121106")] == ([finding.limits] if finding.limits else [])


def test_numbers_that_rest_on_the_threshold_say_which(made: tuple[Study, Dataset]) -> None:
    study, report = made
    mass = [item for group in regions(report) for item in child(group, "HAMASS") if item.ValueType == "NUM"]
    assert len(mass) == 5
    for item in mass:
        (threshold,) = child(item, "112032")  # PS3.16: Threshold Attenuation Coefficient
        assert threshold.RelationshipType == "INFERRED FROM"
        assert number(threshold) == (study.settings.mineral.threshold_hu120, "[hnsf'U]")
        assert triple(child(item, "370129005")[0].ConceptCodeSequence)[0] == "HAEQUIVALENT"  # Measurement Method
    volume = [item for group in regions(report) for item in child(group, "118565006")]
    assert volume
    assert not [item for item in volume if child(item, "112032")]


def test_steady_tissues_have_findings_and_sites_of_their_own(made: tuple[Study, Dataset]) -> None:
    _, report = made
    found = {named(g): triple(child(g, "121071")[0].ConceptCodeSequence)[0] for g in regions(report)}
    assert {name: found[name] for name in ("lesion", "muscle", "fat", "cortex")} == {
        "lesion": "4147007", "muscle": "127954009", "fat": "71966008", "cortex": "3138006",
    }  # fmt: skip
