"""The impression from the slides: recorded once, amended in the open, never silently changed; concordance by ticks."""

from __future__ import annotations

import hashlib
import json
import tomllib
from dataclasses import replace
from datetime import UTC, datetime
from itertools import product
from pathlib import Path

import pytest

from mineralize.base import InputError, OutputError, UsageError
from mineralize.results import ask, blank_form, concordance, filled_form, form, from_mapping, load_impressions
from mineralize.results.concordance import CATEGORIES
from mineralize.results.form import AncillaryTest, Impression, Ticks, ZoneSeen
from mineralize.results.impression import carry_over, findings_covered, findings_open, record_impression, seal

NOON = datetime(2030, 5, 6, 12, 0, 0, tzinfo=UTC)
SEEN = Impression(
    reader="pathologist 1",
    zones=(ZoneSeen("central", "yes", ("cellular", "myxoid")), ZoneSeen("outer", "no")),
    atypia="mild",
    mitoses="6 per 10 high-power fields",
    atypical_mitoses="no",
    necrosis="no",
    differential=("myositis ossificans", "nodular fasciitis"),
    confidence="moderate",
    tests=(AncillaryTest("USP6 rearrangement", "negative"),),
)


def test_what_is_recorded_is_read_back(tmp_path: Path) -> None:
    record = record_impression(tmp_path, SEEN, now=NOON)
    assert load_impressions(tmp_path) == (record,)
    assert record.impression == SEEN
    assert record.recorded_at == "2030-05-06T12:00:00Z"
    assert record.version == 1
    assert record.previous == ""
    assert record.findings_seen is False


def test_the_digest_is_plain_sha_256_of_canonical_json(tmp_path: Path) -> None:
    # recomputed here by hand from the file, so that anyone can check it without this program
    record = record_impression(tmp_path, SEEN, now=NOON)
    (path,) = (tmp_path / "impressions").iterdir()
    content = json.loads(path.read_text(encoding="utf-8"))
    stated = content.pop("digest")
    plain = json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()
    assert hashlib.sha256(plain).hexdigest() == stated == record.digest


def test_an_amendment_needs_a_reason_and_keeps_what_was_there(tmp_path: Path) -> None:
    first = record_impression(tmp_path, SEEN, now=NOON)
    before = (tmp_path / "impressions" / "impression-001.json").read_bytes()
    with pytest.raises(UsageError, match="give a reason"):
        record_impression(tmp_path, SEEN, because="  ")
    second = record_impression(tmp_path, SEEN, because="test came back", findings_seen=True)
    assert (tmp_path / "impressions" / "impression-001.json").read_bytes() == before
    assert load_impressions(tmp_path) == (first, second)
    assert second.previous == first.digest
    assert second.findings_seen is True


@pytest.mark.parametrize("tamper", ["answer", "answer and digest", "removed", "cut short", "not text"])
def test_a_silent_change_is_found(tmp_path: Path, tamper: str) -> None:
    record_impression(tmp_path, SEEN, now=NOON)
    record_impression(tmp_path, SEEN, because="second look")
    path = tmp_path / "impressions" / "impression-001.json"
    content = json.loads(path.read_text(encoding="utf-8"))
    content["impression"]["atypia"] = "marked"
    if tamper == "answer":
        path.write_text(json.dumps(content), encoding="utf-8")
    elif tamper == "answer and digest":
        del content["digest"]
        plain = json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()
        content["digest"] = hashlib.sha256(plain).hexdigest()
        path.write_text(json.dumps(content), encoding="utf-8")
    elif tamper == "removed":
        path.unlink()
    elif tamper == "cut short":
        path.write_bytes(path.read_bytes()[:-20])
    else:
        path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(InputError, match=r"version [12] of the impression .*(changed|missing|cannot be read)"):
        load_impressions(tmp_path)
    with pytest.raises(InputError):
        record_impression(tmp_path, SEEN, because="on top")


def test_nothing_half_written_where_the_folder_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "impressions").write_text("in the way")
    with pytest.raises(OutputError, match="could not be written"):
        record_impression(tmp_path, SEEN)
    assert [p.name for p in tmp_path.iterdir()] == ["impressions"]


def test_nothing_is_left_beside_the_record(tmp_path: Path) -> None:
    record_impression(tmp_path, SEEN)
    assert [p.name for p in (tmp_path / "impressions").iterdir()] == ["impression-001.json"]


def test_sealed_findings_stay_covered_until_an_impression_exists(tmp_path: Path) -> None:
    assert findings_covered(tmp_path, sealed=True)
    assert not findings_covered(tmp_path, sealed=False)
    seal(tmp_path)
    (tmp_path / "summary.html").write_text("covered")
    assert not findings_open(tmp_path)
    assert record_impression(tmp_path, SEEN).findings_seen is False
    assert not findings_covered(tmp_path, sealed=True)


def test_an_open_page_is_remembered_in_the_record(tmp_path: Path) -> None:
    (tmp_path / "summary.html").write_text("open")
    assert record_impression(tmp_path, SEEN).findings_seen is True


def test_versions_move_to_the_folder_that_replaces_this_one(tmp_path: Path) -> None:
    old, fresh = tmp_path / "old", tmp_path / "fresh"
    fresh.mkdir()
    carry_over(old, fresh)
    assert load_impressions(fresh) == ()
    record = record_impression(old, SEEN)
    carry_over(old, fresh)
    assert load_impressions(fresh) == (record,)


def test_the_blank_form_is_a_valid_impression_and_names_every_answer() -> None:
    text = blank_form()
    blank = from_mapping(tomllib.loads(text))
    assert [z.zone for z in blank.zones] == ["outer", "intermediate", "central"]
    assert blank.ticks == Ticks()
    filled = text.replace("# [ticks]", "[ticks]")
    for name in Ticks.__dataclass_fields__:
        filled = filled.replace(f"# {name} =", f"{name} =")
    from_mapping(tomllib.loads(filled))
    for answers in (form.ATYPIA, form.RESULTS, form.SAMPLING, form.TIMING, form.COMPARABLE, form.HISTOLOGY):
        assert all(a in text for a in answers)


@pytest.mark.parametrize(
    "answers",
    [
        Impression(),
        from_mapping(tomllib.loads(blank_form())),
        Impression(reader="pathologist 1", confidence="high"),
        Impression(ticks=Ticks("benign", "yes", "representative", "late enough", "comparable")),
        Impression(atypia="not assessed", necrosis="not assessed", zones=(ZoneSeen("central", "not assessed"),)),
        Impression(cores="3 cores", orientation="lost", decalcified="acid"),
        Impression(tests=(AncillaryTest("USP6 rearrangement", "pending"),)),
    ],
)
def test_a_form_that_says_nothing_of_the_slides_is_not_recorded(tmp_path: Path, answers: Impression) -> None:
    seal(tmp_path)
    with pytest.raises(InputError, match="says nothing of the slides"):
        record_impression(tmp_path, answers)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["sealed.txt"]


@pytest.mark.parametrize("name", ["atypia", "mitoses", "necrosis", "remarks", "zoning"])
def test_one_answer_about_the_slides_is_enough(tmp_path: Path, name: str) -> None:
    answer = {"atypia": "none", "mitoses": "2", "necrosis": "no", "remarks": "crushed", "zoning": "no zoning"}[name]
    assert record_impression(tmp_path, from_mapping({name: answer})).version == 1


def test_an_impression_to_be_amended_is_printed_with_its_answers() -> None:
    told = replace(
        SEEN,
        remarks='says "unusual" \\ and\nmore',
        zoning="cannot be judged",
        ticks=Ticks(histology="benign", sampling="central zone only"),
    )
    assert from_mapping(tomllib.loads(filled_form(told, 3))) == replace(
        told, tests=(AncillaryTest("USP6 rearrangement", "negative"),)
    )


def test_answers_in_the_words_of_earlier_forms_are_still_read() -> None:
    old = from_mapping({"zones": [{"zone": "periphery"}, {"zone": "centre"}], "ticks": {"sampling": "rim only"}})
    assert [z.zone for z in old.zones] == ["outer", "central"]
    assert old.ticks.sampling == "outer zone only"


def test_all_faults_are_listed_at_once() -> None:
    table = {
        "atypia": "some",
        "necrosis": 3,
        "differential": "one",
        "zones": [{"zone": "nowhere", "colour": "red"}],
        "tests": [{"result": "maybe"}],
        "ticks": {"histology": "bad", "more": ""},
        "remarks": "x" * 2001,
        "score": 7,
    }
    with pytest.raises(InputError) as caught:
        from_mapping(table)
    for part in (
        "atypia", "necrosis", "differential", "zones.1.zone", "zones.1: key 2 is", "tests.1.result", "tests.1.name",
        "ticks.histology", "ticks: key 2 is", "remarks", "faults: key 8 is",
    ):  # fmt: skip
        assert part in str(caught.value)


def test_a_negative_rearrangement_test_excludes_nothing() -> None:
    # 22/27 positive by FISH: Front Oncol 2022, 10.3389/fonc.2022.1065071; 5/7 by sequencing: Svajdler 2019,
    # 10.1016/j.humpath.2019.02.009
    test = AncillaryTest("USP6 rearrangement", "negative")
    assert "excludes nothing" in test.caveat
    assert "22 of 27" in test.caveat
    assert "5 of 7" in test.caveat
    assert len(test.sources) == 2
    assert "excludes nothing" in AncillaryTest("a new panel").caveat


@pytest.mark.parametrize(
    ("histology", "accounts", "sampling", "timing", "comparable", "category"),
    [
        ("benign", "yes", "representative", "late enough", "comparable", "concordant-benign"),
        ("malignant", "yes", "representative", "late enough", "comparable", "concordant-malignant"),
        ("benign", "no", "representative", "late enough", "comparable", "discordant-benign"),
        ("malignant", "no", "representative", "late enough", "comparable", "discordant-malignant"),
        ("undetermined", "yes", "representative", "late enough", "comparable", "indeterminate"),
        ("benign", "in part", "representative", "late enough", "comparable", "indeterminate"),
        ("malignant", "no", "central zone only", "late enough", "comparable", "indeterminate"),
        ("benign", "yes", "outer zone only", "late enough", "comparable", "indeterminate"),
        ("benign", "yes", "representative", "too early", "comparable", "indeterminate"),
        ("benign", "yes", "representative", "late enough", "not comparable", "indeterminate"),
        ("", "yes", "representative", "late enough", "comparable", "open"),
    ],
)
def test_concordance_is_made_of_the_ticks(
    histology: str, accounts: str, sampling: str, timing: str, comparable: str, category: str
) -> None:
    found = concordance(Ticks(histology, accounts, sampling, timing, comparable))
    assert found.category == category
    assert [row.category for row in found.rows if row.chosen] == ([] if category == "open" else [category])
    assert bool(found.reasons) == (category in ("indeterminate", "open"))
    assert all(row.options for row in found.rows)


def test_every_set_of_ticks_has_exactly_one_place() -> None:
    answers = (form.HISTOLOGY, form.ACCOUNTS, form.SAMPLING, form.TIMING, form.COMPARABLE)
    places = [concordance(Ticks(*given)) for given in product(*answers)]
    assert {p.category for p in places} == {*CATEGORIES, "open"}
    assert all(sum(row.chosen for row in p.rows) == (p.category != "open") for p in places)


def test_the_form_is_asked_step_by_step_and_asks_again_where_an_answer_is_unknown() -> None:
    typed = {
        "atypia": ["enormous", "mild"],
        "central zone seen": ["yes"],
        "tissues in the central": ["myxoid; cellular"],
        "differential": ["fasciitis;  sarcoma "],
        "cores": ["3, 12 mm"],
        "zoning": ["cannot be judged"],
    }
    said: list[str] = []

    def question(prompt: str) -> str:
        key = next((k for k in typed if prompt.startswith(k)), None)
        return typed[key].pop(0) if key and typed[key] else ""

    made = from_mapping(ask(question, said.append))
    assert made.atypia == "mild"
    assert any(line.startswith("expected one of: none, mild") for line in said)
    assert made.differential == ("fasciitis", "sarcoma")
    assert made.cores == "3, 12 mm"
    assert [(z.zone, z.seen, z.tissues) for z in made.zones][2] == ("central", "yes", ("myxoid", "cellular"))
    assert made.ticks == Ticks()
    # amended: Return keeps, a dash empties; tests that were recorded stay
    amended = from_mapping(ask(lambda p: "-" if p.startswith("differential") else "", said.append, SEEN, ticks=True))
    assert amended == replace(SEEN, differential=(), zones=amended.zones)
    assert {(z.zone, z.seen) for z in amended.zones} >= {("central", "yes"), ("outer", "no")}
