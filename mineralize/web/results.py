"""What was written for a case, file by file or as one archive; and the impression, which opens it."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from starlette.responses import FileResponse, Response, StreamingResponse

from ..base import InputError, UsageError
from ..cases import kept as kept_results
from ..cases import record_answers
from ..results import impression
from . import shapes
from .guard import DOCUMENT_POLICY
from .shelf import Case, Unknown

TYPES = {
    ".html": "text/html; charset=utf-8",
    ".pdf": "application/pdf",
    ".png": "image/png",
    ".svg": "image/svg+xml",
    ".csv": "text/csv; charset=utf-8",
    ".json": "application/json",
}
_KEPT = re.compile(r"(whole|near)-\d{1,5}\.i16|(first|outline)-\d{1,5}\.(mesh|depth)")
_STAMP = (1980, 1, 1, 0, 0, 0)


def kept(case: Case, name: str) -> bytes:
    """A file that the page draws from; Unknown for any other name."""
    path = case.kept / name
    if not _KEPT.fullmatch(name) or path.is_symlink() or not path.is_file():
        raise Unknown("there is no such picture any more; open the case again")
    return path.read_bytes()


def rim(case: Case, scan: int) -> dict[str, Any]:
    """The unwrapped rim of one scan."""
    measured = case.remembered("measured") or {"outlines": []}
    for told in measured["outlines"]:
        if told["scan"] == scan and told["rim"]:
            held = shapes.outline_again(told, case.kept)[1]
            if held is not None:
                return shapes.told_rim(held)
    raise Unknown("no outline was laid out for this scan")


def names(case: Case) -> list[str]:
    """Every file of the results, as the folder itself lists them."""
    found = [name for name in kept_results(case.results).files if _plain_file(case.results, name)]
    if not found:
        raise Unknown("there are no results yet; measure first")
    folder = case.results / impression.FOLDER
    found += [f"{impression.FOLDER}/{p.name}" for p in sorted(folder.glob("*.json")) if not p.is_symlink()]
    return found


def file(case: Case, name: str) -> Response:
    """One file of the results. Documents are shown without script and on an origin of their own."""
    if name not in names(case):
        raise Unknown("there is no such file among the results")
    path = case.results / name
    kind = TYPES.get(path.suffix, "application/octet-stream")
    response = FileResponse(path, media_type=kind)
    shown = path.suffix in (".html", ".svg")
    response.headers["content-security-policy"] = DOCUMENT_POLICY if shown else "default-src 'none'; sandbox"
    if path.suffix == ".pdf":
        del response.headers["content-security-policy"]
        response.headers["content-security-policy"] = (
            "default-src 'none'; object-src 'self'; plugin-types application/pdf"
        )
    if kind == "application/octet-stream":
        response.headers["content-disposition"] = f'attachment; filename="{path.name}"'
    return response


def archive(case: Case) -> Response:
    """All results and ``case.toml`` in one archive, written while it is sent."""
    members = [(name, case.results / name) for name in names(case)]
    if case.case_file.is_file() and not case.case_file.is_symlink():
        members.append(("case.toml", case.case_file))
    slug = re.sub(r"[^A-Za-z0-9._-]+", "-", case.alias).strip("-.") or "case"
    return StreamingResponse(
        _zipped(members),
        media_type="application/zip",
        headers={"content-disposition": f'attachment; filename="{slug}.zip"'},
    )


def _zipped(members: list[tuple[str, Path]]) -> Iterator[bytes]:
    """A zip archive in pieces, without a clock: the same results give the same bytes."""
    held = _Pieces()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as made:
        for name, path in sorted(members):
            entry = zipfile.ZipInfo(name, _STAMP)
            entry.compress_type = zipfile.ZIP_DEFLATED
            made.writestr(entry, path.read_bytes())
            yield held.taken()
    yield held.taken()


class _Pieces(io.RawIOBase):
    """Collects what is written until it is taken."""

    def __init__(self) -> None:
        self._parts: list[bytes] = []

    def writable(self) -> bool:
        return True

    def write(self, data: Any) -> int:
        self._parts.append(bytes(data))
        return len(data)

    def taken(self) -> bytes:
        data = b"".join(self._parts)
        self._parts.clear()
        return data


def record_impression(case: Case, asked: Mapping[str, Any]) -> None:
    """Record what the slides show; where the case was covered, its findings open.

    Raises
    ------
    InputError, UsageError
        where an answer is not one that the form takes, or an amendment has no reason; or there are no results yet.
    """
    answers, because = asked.get("answers"), asked.get("because", "")
    if not isinstance(answers, Mapping) or not isinstance(because, str):
        raise InputError("expected the answers of the form")
    if not (case.results / "history.json").is_file():
        raise UsageError("measure the case first (covered, if the slides are to speak first), then record")
    record_answers(case.results, answers, because)


def _plain_file(folder: Path, name: str) -> bool:
    """Whether a listed name is a file in the folder itself, reached without links."""
    path = folder / name
    try:
        return path.resolve(strict=True) == folder.resolve() / name and path.is_file()
    except OSError:
        return False
