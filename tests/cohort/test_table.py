"""Tables to a cohort: columns, dictionaries, what else is known, what is left out, what is refused."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest

from mineralize import cohort
from mineralize.base import InputError
from mineralize.cohort.arrays import FLOOR_SHARE, LEAST_LOG_SD, arrays_of, log_reading
from mineralize.cohort.visits import Visit

HEAD = "case,scan,day,quantity,value,low,high,unit,trust,reason\n"
ROWS = (
    "A,1,20,mineral_mass,100,90,111.1,mg,ok,\n"
    "A,2,60,mineral_mass,500,450,556,mg,caution,unsure\n"
    "A,3,90,mineral_mass,,,,mg,withheld,metal\n"
    "B,1,30,mineral_mass,200,180,222,mg,ok,\n"
    "B,1,30,rim_completeness,0.4,0.3,0.5,1,ok,\n"
)


def table(folder: Path, text: str = HEAD + ROWS, name: str = "measurements.csv") -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / name).write_text(text, encoding="utf-8")
    return folder / name


def test_reads_a_table_and_counts_what_is_left_out(tmp_path: Path) -> None:
    held = cohort.read_cohort([table(tmp_path)], "mineral_mass")
    assert [(lesion.case, len(lesion.visits)) for lesion in held.lesions] == [("A", 2), ("B", 1)]
    assert held.unit == "mg"
    assert held.notes == ("1 withheld or empty values left out",)


def test_a_folder_and_parquet_give_the_same(tmp_path: Path) -> None:
    csv = pytest.importorskip("pyarrow.csv")
    parquet = pytest.importorskip("pyarrow.parquet")
    path = table(tmp_path / "one")
    (tmp_path / "two").mkdir()
    parquet.write_table(csv.read_csv(path), tmp_path / "two" / "measurements.parquet")
    one, two = (cohort.read_cohort([tmp_path / name], "mineral_mass") for name in ("one", "two"))
    assert one == two


def test_the_dictionary_says_what_is_missing(tmp_path: Path) -> None:
    """Frictionless Table Schema: ``missingValues`` of a resource's schema."""
    path = table(tmp_path, HEAD + ROWS.replace("mass,,,,", "mass,NA,NA,NA,"))
    with pytest.raises(InputError, match="no number"):
        cohort.read_cohort([path], "mineral_mass")
    resource = {"name": "measurements", "path": "measurements.csv", "schema": {"missingValues": ["", "NA"]}}
    (tmp_path / "dictionary.json").write_text(json.dumps({"resources": [resource]}), encoding="utf-8")
    assert cohort.read_cohort([path], "mineral_mass").n_scans == 3


def test_about_adds_what_the_table_lacks(tmp_path: Path) -> None:
    about = tmp_path / "about.csv"
    about.write_text(
        "case,scan,patient,onset_within_days,ended_by,kvp\nA,,P1,10,excision,\nB,,P1,,,\nA,2,,,,100\n", encoding="utf-8"
    )
    one, two = cohort.read_cohort([table(tmp_path)], "mineral_mass", about, 3.0).lesions
    assert (one.patient, two.patient) == ("P1", "P1")
    assert (one.onset_within_days, two.onset_within_days) == (10.0, 3.0)
    assert (one.excised, two.excised) == (True, False)
    assert [v.kvp for v in one.visits] == [None, 100.0]


@pytest.mark.parametrize("case", ["A" * 300, "a/" * 3000 + "b", "..", "/", "../elsewhere", "A\x01"])
def test_a_case_that_is_no_name_has_no_record_beside_its_table(tmp_path: Path, case: str) -> None:
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere" / "history.json").write_text('{"day_zero": "first scan"}', encoding="utf-8")
    path = table(tmp_path / "here", HEAD + f"{case},1,20,mineral_mass,100,90,111.1,mg,ok,\n")
    assert len(cohort.read_cohort([path], "mineral_mass").lesions) == 1
    assert len(cohort.read_curves([path], "mineral_mass")) == 1


def test_history_beside_the_table_is_read(tmp_path: Path) -> None:
    scans = [
        {"scan": n, "acquisition": {"kvp": 80.0 + 20 * n, "slice_thickness_mm": 1.0, "kernel_class": "soft"}}
        for n in (1, 2)
    ]
    document = {
        "case": "A",
        "day_zero": "onset",
        "scans": scans,
        "events": [{"day": 40, "kind": "excision", "text": ""}],
    }
    path = table(tmp_path)
    (tmp_path / "A").mkdir()
    (tmp_path / "A" / "history.json").write_text(json.dumps(document), encoding="utf-8")
    (tmp_path / "B").mkdir()
    (tmp_path / "B" / "history.json").write_text(json.dumps({"case": "B", "day_zero": "first scan"}), encoding="utf-8")
    held = cohort.read_cohort([path], "mineral_mass")
    assert [lesion.case for lesion in held.lesions] == ["A"]
    assert held.lesions[0].excised
    assert [(v.scan, v.kvp, v.kernel) for v in held.lesions[0].visits] == [(1, 100.0, "soft")]
    assert "1 lesions left out: their days count from the first scan, not from an onset" in held.notes
    assert "1 values left out: the scan came after the excision" in held.notes


@pytest.mark.parametrize(
    ("text", "quantity", "sentence"),
    [
        (HEAD + ROWS, "weight", "no table holds a value of weight"),
        (HEAD + ROWS, "rim_completeness", "no size or mass"),
        (HEAD.replace("high,", "") + "A,1,20,mineral_mass,1,1,mg,ok,\n", "mineral_mass", "lacks the columns high"),
        (HEAD + "A,1,x,mineral_mass,1,1,1,mg,ok,\n", "mineral_mass", "column day"),
        (HEAD + "A,1,2,mineral_mass,inf,1,1,mg,ok,\n", "mineral_mass", "column value"),
        (HEAD + ROWS + "C,1,2,mineral_mass,1,1,1,g,ok,\n", "mineral_mass", r"units \(mg, another\);"),
        (HEAD + ROWS + "C,1,2,mineral_mass,1,1,1,\u202eg,ok,\n", "mineral_mass", r"units \(mg, another\);"),
        (HEAD + ROWS + "C,1,2,mineral_mass,1,1,1,mm3,ok,\n", "mineral_mass", r"units \(mg, mm3\);"),
        (HEAD + '"A,1', "mineral_mass", "table 1 cannot be read"),
    ],
)
def test_unusable_tables_give_one_sentence(tmp_path: Path, text: str, quantity: str, sentence: str) -> None:
    with pytest.raises(InputError, match=sentence):
        cohort.read_cohort([table(tmp_path, text)], quantity)


def test_errors_on_the_log_scale() -> None:
    """A 95 % interval is 1.96 standard deviations either way; caution doubles it."""
    reading = log_reading(Visit(1, 10, 100.0, 100 / 1.2, 120.0))
    assert reading == pytest.approx((math.log(100), math.log(1.2) / 1.959964))
    assert log_reading(Visit(1, 10, 100.0, 100 / 1.2, 120.0, "caution"))[1] == pytest.approx(2 * reading[1])
    assert log_reading(Visit(1, 10, 100.0, 100.0, 100.0))[1] == LEAST_LOG_SD
    assert log_reading(Visit(1, 10, 100.0, -5.0, 200.0))[1] == pytest.approx(100 / 1.959964 / 100)
    assert log_reading(Visit(1, 10, 0.0, 0.0, 0.8))[0] == -math.inf


def test_faint_values_count_as_below_the_floor() -> None:
    visits = (Visit(1, 5, 0.0, 0.0, 0.8), Visit(2, 60, 1000.0, 900.0, 1100.0))
    arrays = arrays_of(cohort.Cohort("mineral_mass", "mg", (cohort.Lesion("A", "A", visits),)))
    assert arrays.below[0, :2].tolist() == [True, False]
    assert math.exp(arrays.log_value[0, 0]) == pytest.approx(1000 * FLOOR_SHARE)
    assert not arrays.seen[0, 2:].any()
    assert not arrays.known[1:].any()


@pytest.mark.parametrize("cut", [2, 10, 20, 34])
def test_a_table_that_is_cut_in_its_last_row_is_refused(tmp_path: Path, cut: int) -> None:
    """Whatever the last whole cell holds: a number that lost its end looks like a number."""
    with pytest.raises(InputError, match=r"table 1 cannot be read, or is cut"):
        cohort.read_cohort([table(tmp_path, (HEAD + ROWS)[:-cut])], "mineral_mass")


def test_a_row_with_too_many_cells_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"table 1 cannot be read"):
        cohort.read_cohort([table(tmp_path, HEAD + ROWS + "C,1,30,mineral_mass,1,2,3,mg,ok,,,,\n")], "mineral_mass")


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("history.json", '{"case": "A", "events": [{"kind": "excision"}]}'),
        ("history.json", '{"case": "A", "scans": ["one"]}'),
        ("dictionary.json", '{"resources": [{"path": "measurements.csv", "schema": 3}]}'),
    ],
)
def test_a_damaged_record_beside_a_table_is_one_sentence(tmp_path: Path, name: str, text: str) -> None:
    (tmp_path / name).write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=r"beside a table is damaged"):
        cohort.read_cohort([table(tmp_path)], "mineral_mass")


def test_a_record_nested_too_deep_counts_as_none(tmp_path: Path) -> None:
    (tmp_path / "history.json").write_text("[" * 100_000, encoding="utf-8")
    assert cohort.read_cohort([table(tmp_path)], "mineral_mass").lesions
