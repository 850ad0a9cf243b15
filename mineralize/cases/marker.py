"""What an output folder knows of itself: the files that were written into it, and a secret of its own.

All of it lies in one file, ``.mineralize`` (JSON): ``files`` maps every name to the SHA-256 of its content, so that
nothing is ever replaced that others wrote or changed; ``secret`` keeps pseudonyms the same from run to run; ``bound``
says whose results these are (:mod:`.bound`).
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import secrets
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ..results import impression

MARKER = ".mineralize"
UNFINISHED = f"{MARKER}-unfinished"
"""In a folder that has not taken its place yet: all in it is ours."""
FORMAT = 2
"""Of the marker; the first one listed bare names, one to a line, and proves nothing about what the files hold."""
SECRET_BYTES = 32
LITTER = {".ds_store", "thumbs.db", "desktop.ini"}
"""Left by file managers wherever somebody looks; carried along, never in the way."""
_RECORDED = re.compile(rf"{impression.FOLDER}/impression-\d{{3,}}\.json")
_CHUNK = 2**20


@dataclass(frozen=True)
class Kept:
    """What ``.mineralize`` holds; all empty where there is none."""

    files: Mapping[str, str] = field(default_factory=dict)
    secret: bytes = field(default=b"", repr=False)
    bound: tuple[str, ...] = ()

    def text(self) -> str:
        """As it is written: the same bytes for the same content."""
        held = {
            "format": FORMAT,
            "files": dict(sorted(self.files.items())),
            "secret": self.secret.hex(),
            "bound": sorted(self.bound),
        }
        return json.dumps(held, indent=1, ensure_ascii=False) + "\n"


def kept(out: Path) -> Kept:
    """What the folder's ``.mineralize`` says; a missing or damaged one says nothing, so that every file is a stranger.

    Raises
    ------
    OSError
        where it is there and cannot be read.
    """
    try:
        held: Any = json.loads((out / MARKER).read_text(encoding="utf-8"))
        files = {str(name): str(digest) for name, digest in held["files"].items()}
        return Kept(files, bytes.fromhex(held["secret"]), tuple(str(tag) for tag in held["bound"]))
    except (FileNotFoundError, NotADirectoryError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return Kept()


def secret_of(out: Path, first: Callable[[], bytes] | None = None) -> bytes:
    """The secret of an output folder: the one it keeps, else ``first()``, else a random one.

    It is written with the results, whole or not at all (pass it on to :func:`.folder.whole_folder`), and the same
    ever after. What is drawn from it (a pseudonym, say) is stable on re-runs; a ``first`` drawn from the scans makes
    it the same in two folders, too.
    """
    with contextlib.suppress(OSError):
        held = kept(out).secret
        if len(held) >= SECRET_BYTES // 2:
            return held
    return first() if first is not None else secrets.token_bytes(SECRET_BYTES)


def entries(folder: Path) -> Iterator[str]:
    """Names of everything below a folder that is no folder itself, links included, relative and sorted."""
    for where, folders, files in os.walk(folder):
        folders.sort()
        links = [name for name in folders if os.path.islink(os.path.join(where, name))]
        for name in sorted([*files, *links]):
            yield Path(where, name).relative_to(folder).as_posix()


def digest_of(path: Path) -> str:
    """SHA-256 of a file's content; empty for what is no plain file, ``OSError`` where it cannot be read."""
    if path.is_symlink() or not path.is_file():
        return ""
    found = hashlib.sha256()
    with path.open("rb") as stream:
        while chunk := stream.read(_CHUNK):
            found.update(chunk)
    return found.hexdigest()


def ours(folder: Path, name: str, known: Kept) -> bool:
    """Whether a file is as it was written by us."""
    if name in (MARKER, UNFINISHED):
        return True
    if _RECORDED.fullmatch(name):
        return not (folder / name).is_symlink()
    wanted = known.files.get(name)
    return wanted is not None and digest_of(folder / name) == wanted


def is_recorded(name: str) -> bool:
    """Whether a name is that of a recorded impression."""
    return _RECORDED.fullmatch(name) is not None


def is_litter(name: str) -> bool:
    return name.rpartition("/")[2].lower() in LITTER


def strangers(folder: Path, known: Kept | None = None) -> list[str]:
    """Files of a folder that we did not write, or that were changed since; litter of file managers left out."""
    held = kept(folder) if known is None else known
    return [name for name in entries(folder) if not is_litter(name) and not ours(folder, name, held)]
