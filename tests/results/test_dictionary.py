"""The data dictionary keeps readers from guessing: tables come back the same from three of them."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import study_factory

from mineralize.base import QUANTITIES
from mineralize.results import record, tables

ALIAS = "0017"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    study = study_factory.study(unresolved=2)
    study = replace(study, timeline=replace(study.timeline, alias=ALIAS))
    document = record.history(study)
    # only yes and no, as in a table that a reader would guess at
    document["changes"] = [c for c in document["changes"] if c["real"] != "unsure"]
    out = tmp_path_factory.mktemp("tables")
    (out / "measurements.csv").write_text(tables.measurements(document), encoding="utf-8", newline="")
    (out / "changes.csv").write_text(tables.changes(document), encoding="utf-8", newline="")
    (out / "dictionary.json").write_text(tables.described(), encoding="utf-8", newline="")
    return out


def described(folder: Path) -> dict[str, dict[str, str]]:
    """Column types by table, read from the file as anybody would."""
    document = json.loads((folder / "dictionary.json").read_text(encoding="utf-8"))
    return {t["path"]: {f["name"]: f["type"] for f in t["schema"]["fields"]} for t in document["resources"]}


def plain(folder: Path, name: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO((folder / name).read_text(encoding="utf-8"))))


def test_every_column_is_described_in_its_order(folder: Path) -> None:
    for name, kinds in described(folder).items():
        assert list(kinds) == list(plain(folder, name)[0])
    document = json.loads((folder / "dictionary.json").read_text(encoding="utf-8"))
    assert {q["name"] for q in document["quantities"]} == set(QUANTITIES)
    assert all(f["description"] for t in document["resources"] for f in t["schema"]["fields"])


def agrees(rows: list[dict[str, Any]], folder: Path, name: str) -> None:
    for row, origin in zip(rows, plain(folder, name), strict=True):
        assert row["case"] == ALIAS
        for column, kind in described(folder)[name].items():
            value = row[column]
            if kind == "string":
                assert (value or "") == origin[column], column
            elif origin[column] == "":
                assert value is None or value != value, column
            else:
                assert float(value) == float(origin[column]), column


@pytest.mark.parametrize("name", ["measurements.csv", "changes.csv"])
def test_pandas_reads_what_was_written(folder: Path, name: str) -> None:
    pandas = pytest.importorskip("pandas")
    kinds = {"string": str, "integer": "Int64", "number": float}
    dtype = {n: kinds[k] for n, k in described(folder)[name].items()}
    text = [n for n, k in described(folder)[name].items() if k == "string"]
    frame = pandas.read_csv(
        folder / name, dtype=dtype, keep_default_na=False, na_values={n: [""] for n in dtype if n not in text}
    )
    agrees(frame.astype(object).where(frame.notna(), None).to_dict("records"), folder, name)


@pytest.mark.parametrize("name", ["measurements.csv", "changes.csv"])
def test_polars_reads_what_was_written(folder: Path, name: str) -> None:
    polars = pytest.importorskip("polars")
    kinds = {"string": polars.String, "integer": polars.Int64, "number": polars.Float64}
    frame = polars.read_csv(folder / name, schema={n: kinds[k] for n, k in described(folder)[name].items()})
    agrees(frame.to_dicts(), folder, name)


@pytest.mark.parametrize("name", ["measurements.csv", "changes.csv"])
def test_duckdb_reads_what_was_written(folder: Path, name: str) -> None:
    duckdb = pytest.importorskip("duckdb")
    kinds = {"string": "VARCHAR", "integer": "BIGINT", "number": "DOUBLE"}
    types = {n: kinds[k] for n, k in described(folder)[name].items()}
    found = duckdb.read_csv(str(folder / name), header=True, columns=types)
    agrees([dict(zip(found.columns, values, strict=True)) for values in found.fetchall()], folder, name)
