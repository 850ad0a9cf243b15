"""The folder that is served: which cases lie in it, by neutral keys, and where what belongs to each is kept.

Nothing outside the folder is read or written, whatever links say. Results and what the page keeps for itself lie in
one folder of their own in the root, so that a case folder holds only what people put there (and ``case.toml``).
"""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import re
import secrets
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..base import InputError, OutputError
from ..dicom import OWN_FOLDER

RESULTS = OWN_FOLDER
"""Folder in the root that holds results, by alias and key; ``summarise`` and ``batch`` pass it over as input."""
_OWN = ".page"
_KEY = re.compile(r"[0-9a-f]{10}")
_LARGEST_CASE_FILE = 2**20
_FORM = 1
"""Grows when what is kept changes its form; what was kept in another form is made anew."""


class Unknown(InputError):
    """There is no case of that key, or no such file of it."""


@dataclass(frozen=True)
class Case:
    """One case. ``folder`` may be an archive; ``kept`` is where the page keeps boxes and outlines of it."""

    key: str
    folder: Path
    alias: str
    results: Path
    kept: Path

    @property
    def packed(self) -> bool:
        return not self.folder.is_dir()

    @property
    def case_file(self) -> Path:
        return self.folder / "case.toml"

    def remembered(self, name: str) -> Any:
        """What was kept as JSON under a name; ``None`` where there is nothing usable."""
        try:
            kept = json.loads((self.kept / f"{name}.json").read_text(encoding="utf-8"))
            return kept["held"] if kept["form"] == _FORM else None
        except (OSError, ValueError, KeyError, TypeError):
            return None

    def remember(self, name: str, value: Any) -> None:
        kept = {"form": _FORM, "held": value}
        write_whole(self.kept / f"{name}.json", json.dumps(kept, allow_nan=False, separators=(",", ":")).encode())

    def forget(self, *names: str) -> None:
        for name in names:
            (self.kept / f"{name}.json").unlink(missing_ok=True)


class Shelf:
    """The root folder. Listing is cheap and done anew each time: other programs may add cases."""

    def __init__(self, root: Path) -> None:
        self.root = root.resolve()
        self.home = self.root / RESULTS
        self._salt = b""

    def cases(self) -> tuple[Case, ...]:
        """All cases in name order; an archive that was unpacked beside itself is shown once."""
        found: dict[str, Path] = {}
        for path in self._entries():
            name = path.name if path.is_dir() else path.stem
            if name not in found or path.is_dir():
                found[name] = path
        aliases = [_alias(path) for path in found.values()]
        return tuple(
            self._case(name, path, alias or f"case-{position:03d}")
            for position, ((name, path), alias) in enumerate(zip(found.items(), aliases, strict=True), 1)
        )

    def case(self, key: str) -> Case:
        """The case of that key. Unknown when there is none."""
        if _KEY.fullmatch(key):
            for case in self.cases():
                if case.key == key:
                    return case
        raise Unknown("there is no such case; go back to the list")

    def fresh_folder(self) -> Path:
        """A new empty place in the home folder, for what is being dropped in."""
        place = self._home() / _OWN / f"drop-{secrets.token_hex(8)}"
        place.mkdir(parents=True)
        return place

    def new_case_folder(self) -> Path:
        """A name for a new case that no entry of the root has."""
        taken = {p.name.casefold() for p in self.root.iterdir()}
        number = 1
        while f"case-{number:03d}" in taken or f"case-{number:03d}.zip" in taken:
            number += 1
        return self.root / f"case-{number:03d}"

    def _entries(self) -> list[Path]:
        try:
            if is_case(self.root):
                return [self.root]
            entries = sorted(self.root.iterdir())
        except OSError as error:
            raise InputError("the folder to serve cannot be read; check its permissions") from error
        return [
            p
            for p in entries
            if not p.name.startswith(".")
            and p.name != RESULTS
            and (p.is_dir() or (p.is_file() and p.suffix.lower() == ".zip"))
            and inside(self.root, p)
        ]

    def _case(self, name: str, path: Path, alias: str) -> Case:
        key = hmac.new(self._secret(), name.encode("utf-8", "surrogateescape"), hashlib.sha256).hexdigest()[:10]
        home = self._home()
        known = sorted(home.glob(f"*-{key}"))
        slug = re.sub(r"[^A-Za-z0-9._-]+", "-", alias).strip("-.") or "case"
        return Case(key, path, alias, known[0] if known else home / f"{slug}-{key}", home / _OWN / key)

    def _home(self) -> Path:
        if self.home.is_symlink():
            raise InputError(f"{RESULTS} in the served folder is a link; put a plain folder in its place")
        return self.home

    def _secret(self) -> bytes:
        """Keys are made with a secret of this root: the name of a folder cannot be guessed from an address."""
        if not self._salt:
            path = self._home() / _OWN / "salt"
            try:
                self._salt = path.read_bytes()
            except OSError:
                self._salt = b""
            if len(self._salt) != 32:
                self._salt = secrets.token_bytes(32)
                try:
                    write_whole(path, self._salt)
                except OSError as error:
                    raise OutputError(
                        "the served folder cannot be written to; give one where results can lie"
                    ) from error
        return self._salt


def is_case(folder: Path) -> bool:
    """Whether a folder itself is a case: it holds ``case.toml`` or images directly."""
    for entry in sorted(folder.iterdir())[:200]:
        if entry.name.lower() == "case.toml" or entry.name.upper().startswith("DICOMDIR"):
            return True
        if entry.is_file():
            try:
                with open(entry, "rb") as stream:
                    if stream.read(132)[128:] == b"DICM":
                        return True
            except OSError:
                continue
    return False


def inside(root: Path, path: Path) -> bool:
    """Whether a path, all links followed, lies in the root."""
    try:
        return path.resolve(strict=True).is_relative_to(root)
    except (OSError, RuntimeError):
        return False


def check_links(root: Path, folder: Path) -> None:
    """InputError where a link in a case leads out of the root: it would bring in what was not meant to be served."""
    for place, names, files in os.walk(folder, followlinks=False):
        for name in (*names, *files):
            path = Path(place) / name
            if path.is_symlink() and not inside(root, path):
                raise InputError(
                    "the case holds a link that leads out of the served folder; put the files themselves there"
                )


def write_whole(path: Path, data: bytes) -> None:
    """Write a file whole or not at all, and so that a power cut leaves the old or the new one."""
    path.parent.mkdir(parents=True, exist_ok=True)
    fresh = path.parent / f".{path.name}.{secrets.token_hex(6)}"
    try:
        with open(fresh, "xb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        os.replace(fresh, path)
    finally:
        fresh.unlink(missing_ok=True)


def _alias(path: Path) -> str:
    """The alias as it stands in ``case.toml``; empty where there is none that can be shown."""
    try:
        with open(path / "case.toml", "rb") as stream:
            table = tomllib.loads(stream.read(_LARGEST_CASE_FILE).decode("utf-8"))
    except (OSError, ValueError, RecursionError):
        return ""
    alias = table.get("alias")
    known = isinstance(alias, str) and 0 < len(alias.strip()) <= 64 and alias.isprintable()
    return str(alias).strip() if known else ""
