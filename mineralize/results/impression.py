"""What a pathologist saw on the slides, recorded before imaging speaks; amended, never silently changed.

Records are files ``impressions/impression-001.json``, ``-002.json`` ... Each holds the hash of its own content and
of the record before it, so that a later change to any of them, or a removed one in between, shows. (A removed last
record shows only against a hash kept elsewhere: print :attr:`Record.digest` on the page.)
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import secrets
import shutil
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from ..base import InputError, OutputError, UsageError, plain_text, read_json
from .form import Impression, from_mapping, says_nothing

FOLDER = "impressions"
SEAL = "sealed.txt"
PAGE = "summary.html"
NOTHING_SAID = (
    "the impression says nothing of the slides; answer at least one question about what was seen on them. "
    "Nothing was recorded, and what is covered stays covered"
)


@dataclass(frozen=True)
class Record:
    """One version of the impression.

    ``recorded_at`` is UTC, ``YYYY-MM-DDTHH:MM:SSZ``; ``findings_seen`` tells whether imaging findings were open to
    the reader by then; ``because`` is the reason of an amendment; ``previous`` the digest of the version before
    (empty for the first) and ``digest`` the SHA-256 of everything else in this record.
    """

    version: int
    recorded_at: str
    findings_seen: bool
    because: str
    previous: str
    impression: Impression
    digest: str


def digest_of(content: Mapping[str, Any]) -> str:
    """SHA-256 of the canonical JSON (sorted names, no spaces, UTF-8) of a record without its digest."""
    held = {name: value for name, value in content.items() if name != "digest"}
    text = json.dumps(held, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()


def record_impression(
    case_out_dir: Path | str,
    impression: Impression,
    *,
    because: str = "",
    findings_seen: bool | None = None,
    now: datetime | None = None,
) -> Record:
    """Add a version of the impression to a folder; earlier versions stay.

    ``findings_seen`` is looked up in the folder by default (an open page lies there).

    Raises
    ------
    UsageError
        when an impression exists and ``because`` gives no reason for the amendment.
    InputError
        when an answer is not one of those the form takes, when none tells anything of the slides, or when an earlier
        version was changed after it was recorded.
    OutputError
        when the record could not be written; nothing is left half-written.
    """
    out = Path(case_out_dir)
    impression = from_mapping(asdict(impression))
    if says_nothing(impression):
        raise InputError(NOTHING_SAID)
    earlier = load_impressions(out)
    because = plain_text(because, one_line=True)
    if earlier and not because:
        raise UsageError("an impression is already recorded; give a reason to amend it (earlier versions stay)")
    seen = findings_open(out) if findings_seen is None else findings_seen
    moment = (now or datetime.now(UTC)).astimezone(UTC)
    content: dict[str, Any] = {
        "version": len(earlier) + 1,
        "recorded_at": moment.strftime("%Y-%m-%dT%H:%M:%SZ"),
        "findings_seen": seen,
        "because": because,
        "previous": earlier[-1].digest if earlier else "",
        "impression": json.loads(json.dumps(asdict(impression))),
    }
    content["digest"] = digest_of(content)
    _write_once(out / FOLDER / _name(content["version"]), json.dumps(content, indent=1, ensure_ascii=False) + "\n")
    return _record(content)


def load_impressions(case_out_dir: Path | str) -> tuple[Record, ...]:
    """All versions in order, the current one last; empty when none was recorded.

    Raises
    ------
    InputError
        when a version is missing, cannot be read, or was changed after it was recorded.
    """
    folder = Path(case_out_dir) / FOLDER
    if not folder.is_dir():
        return ()
    paths = sorted(folder.glob("impression-*.json"))
    records: list[Record] = []
    for number, path in enumerate(paths, start=1):
        remedy = "restore the folder from a copy, or start a new one"
        if path.name != _name(number):
            raise InputError(f"version {number} of the impression is missing; {remedy}")
        try:
            content = read_json(path, f"version {number} of the impression")
            changed = content["digest"] != digest_of(content)
            record = _record(content)
        except (OSError, ValueError, KeyError, TypeError, InputError):
            raise InputError(f"version {number} of the impression cannot be read; {remedy}") from None
        before = records[-1].digest if records else ""
        if changed or record.previous != before or record.version != number:
            raise InputError(f"version {number} of the impression was changed after it was recorded; {remedy}")
        records.append(record)
    return tuple(records)


def _record(content: Mapping[str, Any]) -> Record:
    return Record(
        version=int(content["version"]),
        recorded_at=str(content["recorded_at"]),
        findings_seen=bool(content["findings_seen"]),
        because=str(content["because"]),
        previous=str(content["previous"]),
        impression=from_mapping(content["impression"]),
        digest=str(content["digest"]),
    )


def _name(version: int) -> str:
    return f"impression-{version:03d}.json"


def _write_once(path: Path, text: str) -> None:
    """Write a file that must not exist yet, whole or not at all."""
    fresh = path.parent / f".{path.name}.{secrets.token_hex(4)}"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with open(fresh, "x", encoding="utf-8", newline="") as stream:
            stream.write(text)
            stream.flush()
            os.fsync(stream.fileno())
        # a link, unlike a rename, never replaces what is there
        os.link(fresh, path)
    except OSError as error:
        if path.exists():
            raise OutputError("another impression was recorded at the same moment; look at it and try again") from None
        cause = os.strerror(error.errno).lower() if error.errno else "unknown cause"
        raise OutputError(f"the impression could not be written ({cause}); nothing was left half-written") from None
    finally:
        with contextlib.suppress(OSError):
            fresh.unlink()


# -- the seal


def seal(case_out_dir: Path | str) -> None:
    """Mark a results folder as sealed: its page keeps findings covered until an impression exists."""
    text = "Findings stay covered until an impression is recorded (mineralize impression).\n"
    (Path(case_out_dir) / SEAL).write_text(text, encoding="utf-8", newline="")


def findings_covered(case_out_dir: Path | str, *, sealed: bool) -> bool:
    """Whether a page written now must keep its findings covered: sealed, and no impression exists.

    Raises what :func:`load_impressions` raises.
    """
    return sealed and not load_impressions(case_out_dir)


def findings_open(case_out_dir: Path | str) -> bool:
    """Whether a page with open findings lies in the folder."""
    out = Path(case_out_dir)
    return (out / PAGE).exists() and not (out / SEAL).exists()


def carry_over(old: Path | str, fresh: Path | str) -> None:
    """Copy all versions from a results folder to the one that is about to replace it, checked on the way.

    Raises what :func:`load_impressions` raises.
    """
    if load_impressions(old):
        shutil.copytree(Path(old) / FOLDER, Path(fresh) / FOLDER)
