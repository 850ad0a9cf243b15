"""The tables over all cases, as CSV and, where pyarrow is installed, as Parquet, with a dictionary beside them."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import secrets
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from ..base import InputError, OutputError
from ..cases import digest_of, failed, kept
from ..results import History, dictionary, tables, texts
from ..results import read as read_record
from .job import Report
from .store import NEXT, Store, is_ours

COLUMNS = ("case", "position", "exit_code", "scans", "withheld", "cautions", "message", "state")
CASES, MEASUREMENTS, CHANGES = "cases.csv", "measurements.csv", "changes.csv"
DICTIONARY = "dictionary.json"
COMBINED = (MEASUREMENTS, CHANGES, CASES, DICTIONARY, "measurements.parquet", "changes.parquet", "cases.parquet")
MOST_OFTEN_SECONDS = 1.0
SHARE_OF_TIME = 0.05
"""How often, and for what share of the run at most, ``cases.csv`` is written anew."""
_ROWS_OF_A_BLOCK = 8 * 2**20  # bytes of CSV turned into Parquet at a time


class Tables:
    """Writes the tables of an output folder, each whole or not at all, and none over what others wrote.

    Raises
    ------
    OutputError
        where there is a table that we did not write, or that was changed since.
    """

    def __init__(self, store: Store) -> None:
        self._store, self._out = store, store.out
        try:
            self._files = dict(kept(self._out).files)
            strange = [name for name in COMBINED if (self._out / name).exists() and not is_ours(self._out, name)]
        except OSError as error:
            raise failed(error) from error
        if strange:
            raise OutputError(texts.OUT_FOREIGN)
        self._files = {name: digest_of(self._out / name) for name in COMBINED if (self._out / name).exists()}
        self._next_time = 0.0

    def note(self, rows: Iterable[Sequence[Any]], *, now: bool = False) -> None:
        """Bring ``cases.csv`` up to date, unless that was done a moment ago; a full disk is not complained of here."""
        begun = time.monotonic()
        if not now and begun < self._next_time:
            return
        with contextlib.suppress(OSError):
            self._replace(CASES, [tables.text_of(COLUMNS, rows)])
        ended = time.monotonic()
        self._next_time = ended + max(MOST_OFTEN_SECONDS, (ended - begun) / SHARE_OF_TIME)

    def finish(self, reports: Sequence[Report], rows: Sequence[Sequence[Any]]) -> None:
        """All tables, their Parquet twins and the dictionary.

        Raises
        ------
        OutputError
            where they cannot be written; those that were there before stay.
        """
        try:
            done = [report for report in reports if report.done]
            self._replace(MEASUREMENTS, self._joined(tables.measurements, tables.MEASUREMENT_COLUMNS, done))
            self._replace(CHANGES, self._joined(tables.changes, tables.CHANGE_COLUMNS, done))
            self._replace(CASES, [tables.text_of(COLUMNS, rows)])
            columns = {
                MEASUREMENTS: tables.MEASUREMENT_COLUMNS,
                CHANGES: tables.CHANGE_COLUMNS,
                CASES: COLUMNS,
            }
            parquet = find_spec("pyarrow") is not None
            for name, held in columns.items():
                twin = Path(name).with_suffix(".parquet").name
                if parquet:
                    self._replace(twin, _parquet(self._out / name, held))
                else:  # an old one would contradict the table
                    (self._out / twin).unlink(missing_ok=True)
            described = dictionary.package(columns, parquet=parquet)
            self._replace(DICTIONARY, [json.dumps(described, indent=1, ensure_ascii=False) + "\n"])
            self._store.mark({name: digest for name, digest in self._files.items() if (self._out / name).exists()})
        except OSError as error:
            if isinstance(error, OutputError):
                raise
            raise failed(error) from error

    def _joined(
        self, make: Callable[[History, str], str], columns: tuple[str, ...], reports: Iterable[Report]
    ) -> Iterator[str]:
        head = tables.text_of(columns, ())
        yield head
        for report in reports:
            with contextlib.suppress(InputError):  # damaged since; the case's own state says so on the next run
                yield make(read_record(self._out / report.name / "history.json"), report.name)[len(head) :]

    def _replace(self, name: str, parts: Iterable[str | bytes]) -> None:
        """Replace a table whole; the marker knows the old one and the new one at every moment."""
        fresh = self._out / f".{name}.{secrets.token_hex(4)}.new"
        digest = hashlib.sha256()
        try:
            with fresh.open("xb") as stream:
                for part in parts:
                    data = part.encode("utf-8") if isinstance(part, str) else part
                    digest.update(data)
                    stream.write(data)
                stream.flush()
                os.fsync(stream.fileno())
            self._store.mark(self._files | {name + NEXT: digest.hexdigest()})
            fresh.replace(self._out / name)
            self._files[name] = digest.hexdigest()
        finally:
            fresh.unlink(missing_ok=True)


def clear_unfinished(out: Path) -> None:
    """Remove tables that a killed run was just writing."""
    for path in out.iterdir():
        name = path.name
        if name.startswith(".") and name.endswith(".new") and name[1:].rsplit(".", 2)[0] in (*COMBINED, "mineralize"):
            path.unlink(missing_ok=True)


def row(report: Report, state: str = "") -> tuple[Any, ...]:
    """A line of ``cases.csv``."""
    held = report.as_dict() | {"case": report.name, "state": state or report.state}
    held["position"] = report.position or ""
    return tuple(held[column] for column in COLUMNS)


def pending(name: str, position: int, state: str) -> tuple[Any, ...]:
    """A line of ``cases.csv`` for a case of which nothing is known yet."""
    held = {"case": name, "position": position, "state": state}
    return tuple(held.get(column, "") for column in COLUMNS)


def _parquet(path: Path, columns: Sequence[str]) -> Iterator[bytes]:
    """A CSV table as Parquet, with the types of the dictionary; numbers are those that the CSV holds."""
    import pyarrow as pa
    import pyarrow.csv as pc
    import pyarrow.parquet as pq

    kinds = {"string": pa.string(), "integer": pa.int64(), "number": pa.float64()}
    types = {name: kinds[dictionary.type_of(name)] for name in columns}
    convert = pc.ConvertOptions(column_types=types, null_values=[""], strings_can_be_null=False)
    fresh = path.with_name(f".{path.stem}.parquet.{secrets.token_hex(4)}.new")
    try:
        reader = pc.open_csv(
            path,
            read_options=pc.ReadOptions(use_threads=False, block_size=_ROWS_OF_A_BLOCK),
            parse_options=pc.ParseOptions(newlines_in_values=True),
            convert_options=convert,
        )
        with reader, pq.ParquetWriter(fresh, pa.schema(list(types.items())), compression="zstd") as writer:
            for batch in reader:
                writer.write_batch(batch)
        with fresh.open("rb") as stream:
            while chunk := stream.read(2**20):
                yield chunk
    finally:
        fresh.unlink(missing_ok=True)
