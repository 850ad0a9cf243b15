"""Many cases, one after another or side by side: a bad case is reported and never sinks the others."""

from __future__ import annotations

import re
import tomllib
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass, replace
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from .. import cases
from ..base import InputError, MineralizeError, OutputError
from ..cases import MARKER, Request, check_output, failed, write_text
from ..results import History, tables, texts
from ..results import read as read_record
from ..study import cores

COLUMNS = ("case", "position", "exit_code", "scans", "withheld", "cautions", "message")
COMBINED = ("measurements.csv", "changes.csv", "cases.csv")


@dataclass(frozen=True)
class Report:
    """How one case went. ``position`` counts the cases of the root in name order, from 1."""

    name: str
    position: int
    exit_code: int
    scans: int
    withheld: int
    cautions: int
    message: str

    @property
    def done(self) -> bool:
        return self.exit_code in (0, 5)


def find_cases(root: Path) -> list[Path]:
    """Folders and .zip files directly in ``root``, in name order, hidden ones left out."""
    try:
        found = sorted(
            p for p in root.iterdir() if not p.name.startswith(".") and (p.is_dir() or p.suffix.lower() == ".zip")
        )
    except OSError as error:
        raise InputError("ROOT cannot be read; give a folder that holds one folder or .zip file per case") from error
    if not found:
        raise InputError(texts.BATCH_NO_CASES)
    return found


def names_for(found: list[Path]) -> list[str]:
    """A folder name per case: the alias of its ``case.toml`` where there is one and it is unique, else its position.

    Names of input folders are never used: they often hold a patient's name.
    """
    aliases = [_alias(path) for path in found]
    often = Counter(alias.casefold() for alias in aliases)
    return [
        alias if alias and often[alias.casefold()] == 1 else f"case-{position:03d}"
        for position, alias in enumerate(aliases, 1)
    ]


def _alias(path: Path) -> str:
    try:
        table = tomllib.loads((path / "case.toml").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return ""
    alias = table.get("alias")
    safe = re.sub(r"[^A-Za-z0-9._-]+", "-", alias).strip("-.") if isinstance(alias, str) else ""
    return "" if re.fullmatch(r"case(-\d+)?", safe, re.IGNORECASE) else safe


def run(
    root: Path,
    out: Path,
    template: Request,
    *,
    jobs: int = 1,
    on_done: Callable[[Report, int], None] | None = None,
) -> list[Report]:
    """Summarise every case of ``root`` into its own folder in ``out``, then write the tables over all of them.

    Parameters
    ----------
    template : settings and options for every case; its own case and seed are not used.
    jobs : cases at a time, each in a process of its own when more than one.
    on_done : called with each report as it comes and the number of cases.
    """
    found = find_cases(root)
    names = names_for(found)
    _check(out, names)
    if jobs > 1:  # the cores are shared out among the cases
        template = replace(template, jobs=template.jobs or max(1, cores() // jobs))
    work = [
        (replace(template, case=path, seed=None, alias=""), out / name, name, position)
        for position, (path, name) in enumerate(zip(found, names, strict=True), 1)
    ]
    reports = []
    for report in _reports(work, jobs):
        reports.append(report)
        if on_done is not None:
            on_done(report, len(work))
    reports.sort(key=lambda r: r.position)
    _write_combined(out, reports)
    return reports


def exit_code(reports: list[Report]) -> int:
    """0 when every case is done whole; 5 when some are not; with none done 3 if all need an answer, else 4."""
    if all(r.exit_code == 0 for r in reports):
        return 0
    if any(r.done for r in reports):
        return 5
    return 3 if all(r.exit_code == 3 for r in reports) else 4


def _reports(work: list[tuple[Request, Path, str, int]], jobs: int) -> Iterator[Report]:
    if jobs <= 1:
        for item in work:
            yield _one(*item)
        return
    # A fresh interpreter per worker: threads of the numeric libraries do not survive a fork.
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        waiting = {pool.submit(_one, *item): item for item in work}
        for future in as_completed(waiting):
            _, _, name, position = waiting[future]
            try:
                yield future.result()
            except Exception as error:  # a worker that died, such as for lack of memory
                yield _fault(name, position, error)


def _one(request: Request, out: Path, name: str, position: int) -> Report:
    try:
        outcome = cases.run(request, out)
    except MineralizeError as error:
        return Report(name, position, error.exit_code, 0, 0, 0, str(error))
    except Exception as error:  # one bad case must not sink the batch; its text may hold what is private
        return _fault(name, position, error)
    scans = len(outcome.document["scans"])
    return Report(name, position, outcome.exit_code, scans, outcome.withheld, outcome.cautions, "")


def _fault(name: str, position: int, error: Exception) -> Report:
    return Report(name, position, 4, 0, 0, 0, texts.BATCH_FAULT.format(kind=type(error).__name__))


def _check(out: Path, names: list[str]) -> None:
    """Refuse an output folder whose files are not ours, before hours of work."""
    for name in names:
        check_output(out / name)
    try:
        strangers = out.is_dir() and any(p.is_file() and p.name not in (*COMBINED, MARKER) for p in out.iterdir())
        ours = (out / MARKER).is_file() or not any((out / name).exists() for name in COMBINED)
    except OSError as error:
        raise failed(error) from error
    if strangers or not ours:
        raise OutputError(texts.OUT_FOREIGN)


def _write_combined(out: Path, reports: list[Report]) -> None:
    documents: list[tuple[str, History]] = [
        (r.name, read_record(out / r.name / "history.json")) for r in reports if r.done
    ]
    rows: list[tuple[Any, ...]] = [tuple(getattr(r, "name" if c == "case" else c) for c in COLUMNS) for r in reports]
    held = {
        "measurements.csv": _joined(tables.measurements, tables.MEASUREMENT_COLUMNS, documents),
        "changes.csv": _joined(tables.changes, tables.CHANGE_COLUMNS, documents),
        "cases.csv": tables.text_of(COLUMNS, rows),
        MARKER: "".join(f"{name}\n" for name in COMBINED),
    }
    try:
        out.mkdir(parents=True, exist_ok=True)
        for name, text in held.items():
            fresh = out / f".{name.lstrip('.')}.new"
            try:
                write_text(fresh, text)
                fresh.replace(out / name)
            finally:
                fresh.unlink(missing_ok=True)
    except OSError as error:
        raise failed(error) from error


def _joined(make: Callable[[History, str], str], columns: tuple[str, ...], documents: list[tuple[str, History]]) -> str:
    head = tables.text_of(columns, ())
    return head + "".join(make(document, name)[len(head) :] for name, document in documents)
