"""Slides first: results that stay covered until an impression from the slides is recorded.

The cover is a courtesy between colleagues, no lock: what is covered lies in an archive in the same folder, and the
tables for other programs stay open.
"""

from __future__ import annotations

import shutil
import tomllib
import zipfile
from pathlib import Path

from ..base import InputError, UsageError
from ..page import place_impressions, render_covered, reprint_pdf
from ..results import History, Impression, Record, from_mapping, impression, texts
from ..results import read as read_history
from .folder import MARKER, failed, write_text

ARCHIVE = "sealed.zip"
COVERED = ("summary.html", "summary.pdf", "figures")
_STAMP = (1980, 1, 1, 0, 0, 0)
"""The earliest time an archive can hold: no clock in what we write."""


def cover(folder: Path, document: History) -> None:
    """Put what imaging says into the archive and a covered page in its place."""
    paths = [folder / name for name in COVERED]
    files = [p for path in paths for p in (sorted(path.rglob("*")) if path.is_dir() else [path]) if p.is_file()]
    with zipfile.ZipFile(folder / ARCHIVE, "w", zipfile.ZIP_DEFLATED) as archive:
        for path in files:
            held = zipfile.ZipInfo(path.relative_to(folder).as_posix(), _STAMP)
            held.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(held, path.read_bytes())
    for path in paths:
        if path.is_dir():
            shutil.rmtree(path)
        else:
            path.unlink(missing_ok=True)
    write_text(folder / "summary.html", render_covered(document))
    impression.seal(folder)


def record(out: Path, form: Path, because: str = "") -> Record:
    """Record the impression of a filled form in a results folder, and open or renew its page.

    Raises
    ------
    InputError
        when the form cannot be read, has faults or says nothing of the slides, or the folder holds no results.
    UsageError
        when an impression exists and ``because`` gives no reason for the amendment.
    """
    _held(out)
    try:
        table = tomllib.loads(form.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise InputError("the form cannot be read as TOML; print a blank one with --form") from error
    return record_answers(out, from_mapping(table), because)


def versions(out: Path) -> tuple[Record, ...]:
    """All recorded versions of a results folder, the current one last.

    Raises
    ------
    InputError
        when the folder holds no results, or a version cannot be read or was changed after it was recorded.
    """
    _held(out)
    return impression.load_impressions(out)


def record_answers(out: Path, answers: Impression, because: str = "") -> Record:
    """Like :func:`record`, with the answers at hand."""
    _held(out)
    made = impression.record_impression(out, answers, because=because)
    renew(out)
    return made


def _held(out: Path) -> None:
    if not (out / "history.json").is_file():
        raise InputError(texts.NO_RESULTS)
    read_history(out / "history.json")


def _reprint(out: Path, records: tuple[Record, ...]) -> None:
    """The PDF again, with the impression in it; only where there are pictures to print."""
    figures = {p.name: p.read_bytes() for p in sorted((out / "figures").glob("*.png"))}
    if not (out / "summary.pdf").exists():
        return
    fresh = out / ".summary.pdf.new"
    fresh.write_bytes(reprint_pdf(read_history(out / "history.json"), figures, records))
    fresh.replace(out / "summary.pdf")


def renew(out: Path) -> None:
    """Open a covered folder that has an impression by now, and bring the page's section up to date."""
    records = impression.load_impressions(out)
    if not records:
        raise UsageError("no impression is recorded in this folder; give one with --from FORM")
    try:
        if (out / impression.SEAL).exists():
            with zipfile.ZipFile(out / ARCHIVE) as archive:
                for name in archive.namelist():
                    if name != "summary.html" and name.split("/")[0] in COVERED:
                        archive.extract(name, out)
                html = archive.read("summary.html").decode("utf-8")
        else:
            html = (out / "summary.html").read_text(encoding="utf-8")
        fresh = out / ".summary.html.new"
        write_text(fresh, place_impressions(html, records))
        fresh.replace(out / "summary.html")
        _reprint(out, records)
        (out / impression.SEAL).unlink(missing_ok=True)
        (out / ARCHIVE).unlink(missing_ok=True)
        names = [p.relative_to(out).as_posix() for p in out.rglob("*") if p.is_file() and p.name != MARKER]
        own = sorted(name for name in names if not name.startswith(f"{impression.FOLDER}/"))
        write_text(out / MARKER, "".join(f"{name}\n" for name in own))
    except (OSError, KeyError, zipfile.BadZipFile) as error:
        if isinstance(error, OSError):
            raise failed(error) from error
        raise InputError("the covered results are damaged; run summarise again") from error
