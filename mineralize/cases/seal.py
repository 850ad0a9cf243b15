"""Slides first: results that stay covered until an impression from the slides is recorded.

The cover is a courtesy between colleagues, no lock: what is covered lies in an archive in the same folder, and the
tables for other programs stay open.
"""

from __future__ import annotations

import os
import shutil
import zipfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from ..base import InputError, UsageError, read_toml
from ..results import History, Record, from_mapping, impression, texts
from ..results import read as read_history
from .drawing import place_impressions, render_covered, reprint_pdf
from .folder import failed, whole_folder, write_text
from .marker import kept

ARCHIVE = "sealed.zip"
COVERED = ("summary.html", "summary.pdf", "figures", "dicom/summary-pdf.dcm")
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
    """Record the impression of a filled form in a results folder, and open or renew its page, both or neither.

    Files of others in the folder stay what they are.

    Raises
    ------
    InputError
        when the form cannot be read or has faults or says nothing of the slides, or the folder holds no results.
    UsageError
        when an impression exists and ``because`` gives no reason for the amendment.
    OutputError
        when it cannot be written; then nothing was changed.
    """
    return record_answers(out, read_toml(form, "the form"), because)


def record_answers(out: Path, answers: Mapping[str, Any], because: str = "") -> Record:
    """Record the answers of a form as plain values; otherwise, and in what is raised, like :func:`record`."""
    _held(out)
    filled = from_mapping(answers)
    made: list[Record] = []

    def add(fresh: Path) -> None:
        _link_ours(out, fresh)
        made.append(impression.record_impression(fresh, filled, because=because))
        renew(fresh)

    with whole_folder(out, bound=kept(out).bound, finish=add, keep_strangers=True):
        pass
    return made[0]


def versions(out: Path) -> tuple[Record, ...]:
    """All recorded versions of a results folder, the current one last.

    Raises
    ------
    InputError
        when the folder holds no results, or a version cannot be read or was changed after it was recorded.
    """
    _held(out)
    return impression.load_impressions(out)


def _held(out: Path) -> None:
    if not (out / "history.json").is_file():
        raise InputError(texts.NO_RESULTS)


def _reprint(folder: Path, records: tuple[Record, ...]) -> None:
    """The PDF again, with the impression in it; only where there is one."""
    if not (folder / "summary.pdf").exists():
        return
    figures = {p.name: p.read_bytes() for p in sorted((folder / "figures").glob("*.png"))}
    fresh = folder / ".summary.pdf.new"
    fresh.write_bytes(reprint_pdf(read_history(folder / "history.json"), figures, records))
    fresh.replace(folder / "summary.pdf")


def renew(folder: Path) -> None:
    """Open covered results that have an impression by now, and bring the page's section up to date.

    ``folder`` is one that is being written and takes the place of the results afterwards.
    """
    records = impression.load_impressions(folder)
    if not records:
        raise UsageError("no impression is recorded in this folder; give one with --from FORM")
    try:
        if (folder / impression.SEAL).exists():
            with zipfile.ZipFile(folder / ARCHIVE) as archive:
                for name in archive.namelist():
                    if name != "summary.html" and (name in COVERED or name.split("/")[0] in COVERED):
                        archive.extract(name, folder)
                html = archive.read("summary.html").decode("utf-8")
        else:
            html = (folder / "summary.html").read_text(encoding="utf-8")
        fresh = folder / ".summary.html.new"  # what lies there may be linked to the results that are still in place
        write_text(fresh, place_impressions(html, records))
        fresh.replace(folder / "summary.html")
        _reprint(folder, records)
        (folder / impression.SEAL).unlink(missing_ok=True)
        (folder / ARCHIVE).unlink(missing_ok=True)
    except OSError as error:
        raise failed(error) from error
    except (KeyError, ValueError, zipfile.BadZipFile) as error:
        raise InputError("the covered results are damaged; run summarise again") from error


def _link_ours(out: Path, fresh: Path) -> None:
    """Have every file that we wrote in the fresh folder too, without copying where the file system can do that."""
    for name in kept(out).files:
        source, target = out / name, fresh / name
        if not source.is_file() or target.exists():
            continue
        target.parent.mkdir(parents=True, exist_ok=True)
        try:
            os.link(source, target)
        except OSError:
            shutil.copy2(source, target)
