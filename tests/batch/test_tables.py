"""Tables over all cases open in other programs with the right types; the dictionary says what every column holds.

Foreign readers: pandas, Polars, DuckDB, Apache Arrow. The descriptor is checked against the profiles that the Data
Package standard, version 2, asks for (https://datapackage.org/standard/data-package/; the rules here from its text).
"""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path
from typing import Any

import pytest
import study_factory

from mineralize.base import UNITS
from mineralize.batch import store, tables
from mineralize.batch.job import Report
from mineralize.results import dictionary, record
from mineralize.results import tables as one_table

KINDS = {"string": "string", "integer": "int64", "number": "double"}


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two cases with results, one that needs an answer; a name with a comma and quotes in a message."""
    pytest.importorskip("pyarrow")
    folder = tmp_path_factory.mktemp("batch")
    held = store.Store(folder)
    reports = [
        Report("0017", 1, 5, 5, 3, 1, ""),
        Report("true", 2, 5, 5, 3, 1, ""),
        Report("case-003", 3, 3, 0, 0, 0, 'two structures, "either" could be it\nanswer with a seed'),
    ]
    for report, unresolved in zip(reports[:2], (2, 3), strict=True):
        (folder / report.name).mkdir()
        document = record.history(study_factory.study(unresolved=unresolved))
        (folder / report.name / "history.json").write_text(record.dumps(document), encoding="utf-8")
    tables.Tables(held).finish(reports, [tables.row(report) for report in reports])
    return folder


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as handle:
        return list(csv.DictReader(handle))


@pytest.mark.parametrize("name", ["measurements", "changes", "cases"])
def test_parquet_holds_what_the_csv_holds_with_types(out: Path, name: str) -> None:
    pq = pytest.importorskip("pyarrow.parquet")
    table = pq.read_table(out / f"{name}.parquet")
    written = rows(out / f"{name}.csv")
    assert table.num_rows == len(written) > 0
    for field in table.schema:
        assert str(field.type) == KINDS[dictionary.type_of(field.name)], field.name
        for value, text in zip(table[field.name].to_pylist(), (row[field.name] for row in written), strict=True):
            if field.type == "string":
                assert value == text
            else:
                assert (value is None and text == "") or math.isclose(value, float(text), rel_tol=1e-12)


def test_names_that_look_like_something_else_stay_names(out: Path) -> None:
    """An alias of digits keeps its zeros, one of 'true' stays a word, in every reader."""
    pandas, polars, duckdb = (pytest.importorskip(name) for name in ("pandas", "polars", "duckdb"))
    expected = {"0017", "true"}
    path = out / "measurements.parquet"
    assert set(pandas.read_parquet(path)["case"]) == expected
    assert set(polars.read_parquet(path)["case"]) == expected
    assert {row[0] for row in duckdb.sql(f"SELECT DISTINCT \"case\" FROM '{path}'").fetchall()} == expected
    types = {field["name"]: field["type"] for field in _resource(out, "measurements")["schema"]["fields"]}
    kinds = {"string": "string", "integer": "Int64", "number": "float64"}
    read = pandas.read_csv(
        out / "measurements.csv", dtype={name: kinds[kind] for name, kind in types.items()},
        keep_default_na=False, na_values={name: [""] for name, kind in types.items() if kind != "string"},
    )  # fmt: skip
    assert set(read["case"]) == expected


def test_numbers_and_gaps_are_the_same_in_every_reader(out: Path) -> None:
    pandas, polars, duckdb = (pytest.importorskip(name) for name in ("pandas", "polars", "duckdb"))
    written = [float(row["value"]) for row in rows(out / "measurements.csv") if row["value"]]
    total, missing = sum(written), sum(not row["value"] for row in rows(out / "measurements.csv"))
    assert missing > 0
    path = out / "measurements.parquet"
    by_pandas = pandas.read_parquet(path)["value"]
    by_polars = polars.read_parquet(path)["value"]
    by_duckdb = duckdb.sql(f"SELECT sum(value), count(*) - count(value) FROM '{path}'").fetchall()[0]
    for found, gaps in (
        (float(by_pandas.sum()), int(by_pandas.isna().sum())),
        (float(by_polars.sum()), int(by_polars.null_count())),
        by_duckdb,
    ):
        assert found == pytest.approx(total, rel=1e-12)
        assert gaps == missing


def test_real_is_a_word_and_no_boolean(out: Path) -> None:
    duckdb = pytest.importorskip("duckdb")
    for ending in ("csv", "parquet"):
        kinds = {
            row[0]: row[1] for row in duckdb.sql(f"DESCRIBE SELECT * FROM '{out / 'changes'}.{ending}'").fetchall()
        }
        assert kinds["real"] == "VARCHAR"


def _package(out: Path) -> dict[str, Any]:
    held: dict[str, Any] = json.loads((out / "dictionary.json").read_text(encoding="utf-8"))
    return held


def _resource(out: Path, name: str) -> dict[str, Any]:
    return next(r for r in _package(out)["resources"] if r["name"] == name)


def test_the_dictionary_is_a_data_package(out: Path) -> None:
    package = _package(out)
    assert package["$schema"] == "https://datapackage.org/profiles/2.0/datapackage.json"
    assert len(package["resources"]) == 6
    names = [resource["name"] for resource in package["resources"]]
    assert len(set(names)) == len(names)
    for resource in package["resources"]:
        assert resource["$schema"] == "https://datapackage.org/profiles/2.0/dataresource.json"
        assert resource["type"] == "table"
        assert (out / resource["path"]).is_file()
        assert "/" not in resource["path"]
        fields = resource["schema"]["fields"]
        assert all(field["type"] in ("string", "integer", "number") for field in fields)
        assert all(len(field["description"]) > 5 for field in fields), "a column without a meaning"
        assert resource["schema"]["missingValues"] == [""]
        assert set(resource["schema"]["primaryKey"]) <= {field["name"] for field in fields}


@pytest.mark.parametrize("name", ["measurements", "changes", "cases"])
def test_the_dictionary_describes_the_table_as_it_is(out: Path, name: str) -> None:
    """Column by column and cell by cell: order, type, enumeration, key."""
    schema = _resource(out, name)["schema"]
    written = rows(out / f"{name}.csv")
    assert [field["name"] for field in schema["fields"]] == list(written[0])
    for field in schema["fields"]:
        assert field["name"] in dictionary.COLUMNS
        for row in written:
            cell = row[field["name"]]
            if cell == "":
                assert not field.get("constraints", {}).get("required")
            elif field["type"] == "integer":
                int(cell)
            elif field["type"] == "number":
                float(cell)
            if "enum" in field.get("constraints", {}):
                assert cell in field["constraints"]["enum"]
    keys = [tuple(row[column] for column in schema["primaryKey"]) for row in written]
    assert len(set(keys)) == len(keys)


def test_every_quantity_has_a_ucum_unit_and_a_definition(out: Path) -> None:
    """UCUM 1.9: Hounsfield unit is [hnsf'U]; mm, mm2, mm3, mg and 1 stand for themselves."""
    found = {quantity["name"]: quantity for quantity in _package(out)["quantities"]}
    assert found.keys() == UNITS.keys()
    assert {q["ucum"] for q in found.values()} <= {"mm", "mm2", "mm3", "mg", "1", "[hnsf'U]", "deg"}
    assert all(q["source"] for q in found.values())
    assert found["mineral_mass"]["definition"]


def test_the_same_bytes_twice(out: Path, tmp_path: Path) -> None:
    before = {p.name: p.read_bytes() for p in out.iterdir() if p.is_file() and p.name != ".mineralize"}
    written = rows(out / "cases.csv")
    reports = [
        Report(r["case"], int(r["position"]), int(r["exit_code"]), int(r["scans"]), int(r["withheld"]),
               int(r["cautions"]), r["message"]) for r in written
    ]  # fmt: skip
    tables.Tables(store.Store(out)).finish(reports, [tables.row(report) for report in reports])
    assert {p.name: p.read_bytes() for p in out.iterdir() if p.is_file() and p.name != ".mineralize"} == before


def test_without_pyarrow_there_is_csv_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tables, "find_spec", lambda name: None)
    tables.Tables(store.Store(tmp_path)).finish([], [])
    seen = sorted(p.name for p in tmp_path.iterdir() if not p.name.startswith("."))
    assert seen == ["cases.csv", "changes.csv", "dictionary.json", "measurements.csv"]
    assert len(_package(tmp_path)["resources"]) == 3
    assert one_table.read(tmp_path / "measurements.csv") == []
