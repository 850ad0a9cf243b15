"""Trouble that kills nobody: two writers, a full disk, input that vanishes. Used by ``scripts/torture``.

Every run must end well or in one sentence with exit code 4; results are then the old ones, whole, or new ones, whole,
and the next run, when the trouble is over, ends like one that never had any.
"""

from __future__ import annotations

import contextlib
import os
import resource
import shutil
import subprocess
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
import torture_stand_in as stand_in
from dicom_factory import Series, voxels
from own_place import alone_with_mounts, own_place
from torture_tools import Files, files, finished, forked, left_over, sentence_missing, without_secret

from mineralize.cases import one
from mineralize.timeline import read

Ready = Callable[[Path], None]
Work = Callable[[Path], Any]
DRIVE_MIB = 16


def made(place: Path, name: str, ready: Ready) -> Path:
    work = place / name
    work.mkdir()
    ready(work)
    return work


def told(name: str, ends: Counter[str], faults: list[str]) -> list[str]:
    listed = ", ".join(f"{ends[word]} {word}" for word in ("done", "refused") if ends[word])
    print(f"{name}: {listed or 'not run'}, {len(faults)} faults", flush=True)
    return faults


class TwoWriters:
    """Two runs into one folder, begun within the time that one takes. Where both say done, one came after the other."""

    def __init__(self, name: str, ready: Ready, first: Work, second: Work) -> None:
        self.name, self.ready, self.jobs = name, ready, (first, second)

    def torture(self, random: int, seed: int, chosen: bool) -> list[str]:
        faults: list[str] = []
        ends: Counter[str] = Counter()
        chance = Random(seed)
        with own_place() as place:
            start = time.monotonic()
            may = {order: self._in_turn(place, order) for order in ((0,), (1,), (0, 1), (1, 0))}
            lasts = (time.monotonic() - start) / 6
            for number in range(random):
                work = made(place, f"{number}", self.ready)
                offset = chance.uniform(-lasts, lasts)
                codes = self._together(work, offset)
                ends.update("done" if code == 0 else "refused" for code in codes)
                where = f"{self.name}, {offset:+.3g} s"
                faults += [f"{where}: {fault}" for fault in self._look(work, codes, may)]
                shutil.rmtree(work)
        return told(self.name, ends, faults)

    def _in_turn(self, place: Path, order: tuple[int, ...]) -> Files:
        work = made(place, f"turn{order}", self.ready)
        for number in order:
            assert finished(forked(lambda n=number: self.jobs[n](work))) == 0, f"{self.name} does not run at all"
        return without_secret(work / "out")

    def _together(self, work: Path, offset: float) -> tuple[int, int]:
        order = (0, 1) if offset >= 0 else (1, 0)
        begun = {}
        for number in order:
            begun[number] = forked(lambda n=number: self.jobs[n](work), work / f"said-{number}")
            if number == order[0]:
                time.sleep(abs(offset))
        return finished(begun[0]), finished(begun[1])

    def _look(self, work: Path, codes: tuple[int, int], may: dict[tuple[int, ...], Files]) -> Iterator[str]:
        for number in (0, 1):
            if wrong := sentence_missing(codes[number], work / f"said-{number}"):
                yield wrong
        done = tuple(number for number in (0, 1) if codes[number] == 0)
        allowed = [may[order] for order in may if set(order) == set(done)]
        if (found := without_secret(work / "out")) not in allowed:
            differing = [_differing(found, one_way) for one_way in allowed]
            yield f"neither the one nor the other: exit codes {codes}, {differing}"
        if finished(forked(lambda: self.jobs[0](work))) != 0:
            yield "the next run fails"
        if left := left_over(work):
            yield f"left over: {left[:4]}"


class FullDisk:
    """A drive with room for less than a run needs: a small one that is filled up, or a limit to the size of a file."""

    def __init__(self, name: str, ready: Ready, job: Work, *, drive: bool) -> None:
        self.name, self.ready, self.job, self.drive = name, ready, job, drive

    def torture(self, random: int, seed: int, chosen: bool) -> list[str]:
        faults: list[str] = []
        ends: Counter[str] = Counter()
        with own_place() as held, self._drive(held) as place:
            if place is None:
                print(f"{self.name}: left out, no small drive can be made here", flush=True)
                return []
            before = without_secret(made(place, "before", self.ready) / "out")
            work = made(place, "undisturbed", self.ready)
            free = _free(place)
            assert finished(forked(lambda: self.job(work))) == 0, f"{self.name} does not run at all"
            most = free - _free(place) if self.drive else max(len(data) for data in files(work / "out").values())
            after = without_secret(work / "out")
            chance = Random(seed)
            for number in range(random):
                work = made(place, f"{number}", self.ready)
                room = chance.randrange(most + 1)
                code = self._run(place, work, room)
                ends["done" if code == 0 else "refused"] += 1
                where = f"{self.name}, room for {room} {'pages' if self.drive else 'bytes'}"
                faults += [f"{where}: {fault}" for fault in self._look(work, code, before, after, held)]
                shutil.rmtree(work)
        return told(self.name, ends, faults)

    @contextlib.contextmanager
    def _drive(self, held: Path) -> Iterator[Path | None]:
        place = held / "drive"
        place.mkdir()
        if not self.drive:
            yield place
            return
        options = f"size={DRIVE_MIB}m,mode=700"
        command = ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(place)]
        if not alone_with_mounts() or subprocess.run(command, capture_output=True).returncode:
            yield None
            return
        try:
            yield place
        finally:
            subprocess.run(["umount", "--lazy", str(place)], check=True)

    def _run(self, place: Path, work: Path, room: int) -> int:
        said = place.parent / "said"
        said.unlink(missing_ok=True)
        if not self.drive:

            def limited() -> None:
                resource.setrlimit(resource.RLIMIT_FSIZE, (room, room))
                self.job(work)

            said.touch()
            return finished(forked(limited, said))
        filler = place / "filler"
        with filler.open("wb") as stream:
            os.posix_fallocate(stream.fileno(), 0, max(_free(place) - room - 1, 1) * os.sysconf("SC_PAGESIZE"))
        code = finished(forked(lambda: self.job(work), said))
        filler.unlink()
        return code

    def _look(self, work: Path, code: int, before: Files, after: Files, held: Path) -> Iterator[str]:
        if wrong := sentence_missing(code, held / "said"):
            yield wrong
        yield from whole(without_secret(work / "out"), before, after, strict=code == 0)
        if left := [name for name in left_over(work) if not name.endswith(".new")]:
            yield f"left over by a run that ended by itself: {left[:4]}"
        if finished(forked(lambda: self.job(work))) != 0:
            yield "the next run fails"
        found = without_secret(work / "out")
        if found != after and "impressions/impression-002.json" not in found:
            yield f"the next run does not end like an undisturbed one: {_differing(found, after)}"
        if left := left_over(work):
            yield f"left over: {left[:4]}"


def _free(place: Path) -> int:
    """Free pages of a drive."""
    found = os.statvfs(place)
    return found.f_bavail * found.f_frsize // os.sysconf("SC_PAGESIZE")


def _differing(found: Files, after: Files) -> list[str]:
    return [name for name in sorted(found.keys() | after.keys()) if found.get(name) != after.get(name)][:4]


def whole(found: Files, before: Files, after: Files, *, strict: bool) -> Iterator[str]:
    """Case folders are whole, each old or new, and so is a results folder of one case; done (``strict``) is new."""
    if "history.json" in after:
        if found != after and (strict or found != before):
            yield f"neither old nor new: {_differing(found, after)}"
        return
    for case in {name.partition("/")[0] for name in found if "/" in name}:
        one, old, new = ({n: d for n, d in held.items() if n.startswith(f"{case}/")} for held in (found, before, after))
        if one not in (old, new):
            yield f"{case} is half-written: {_differing(one, new)}"


# -- input that vanishes


def reading(pause_seconds: float) -> None:
    """In this process, read cases as they are; only measuring stays a stand-in, which takes as long as said."""

    def timeline(path: Path, *, on_step: Any = None) -> Any:
        real = read(Path(path))
        scans = list(stand_in.timeline(Path(path)).scans)
        for number, scan in enumerate(real.scans[: len(scans)]):
            scans[number] = replace(scans[number], source=_Both(scans[number].source, scan))
        return replace(stand_in._STUDY.timeline, scans=tuple(scans), alias="case", input_hash="", hasher=real.hasher)

    def analyse(case: Any, *_: Any, **__: Any) -> Any:
        time.sleep(pause_seconds / 2)
        for scan in case.scans:
            if isinstance(scan.source, _Both):
                scan.source.real.volume.hu.sum()
        time.sleep(pause_seconds / 2)
        return stand_in.measured(replace(case, input_hash=case.content_hash()))

    one.read_timeline = timeline  # type: ignore[assignment]
    one.analyse = analyse  # type: ignore[assignment]


class _Both:
    """Pixels of a stand-in, files of a real scan."""

    def __init__(self, drawn: Any, real: Any) -> None:
        self.drawn, self.real, self.stack = drawn, real, real.source.stack

    def __getattr__(self, name: str) -> Any:
        return getattr(self.drawn, name)


def scan_into(folder: Path) -> None:
    """A small series; the same bytes every time."""
    series = Series(hu=voxels((6, 12, 14)), study="1.2.3", series="1.2.3.4", frame="1.2.3.5")

    def numbered(ds: Any, k: int) -> None:
        ds.SOPInstanceUID = ds.file_meta.MediaStorageSOPInstanceUID = f"1.2.3.4.{k + 1}"

    series.edit = numbered
    series.write(folder)


def _first(folder: Path) -> Path:
    return min(folder.iterdir())


def _middle(folder: Path) -> Path:
    return sorted(folder.iterdir())[3]


def _redrawn(folder: Path) -> None:
    path = _middle(folder)
    data = bytearray(path.read_bytes())
    pixels = np.frombuffer(data, "<u2", offset=len(data) - 2 * 12 * 14).copy()
    data[-2 * 12 * 14 :] = (pixels + 7).tobytes()
    fresh = path.with_name("fresh")
    fresh.write_bytes(data)
    fresh.replace(path)


ACTS: dict[str, Work] = {
    "the folder goes": shutil.rmtree,
    "an end slice goes": lambda folder: _first(folder).unlink(),
    "a slice between goes": lambda folder: _middle(folder).unlink(),
    "a file is cut": lambda folder: os.truncate(_middle(folder), 900),
    "a slice is replaced": _redrawn,
}


class Vanishing:
    """A case that is taken away or changed at a random moment while it is read and measured."""

    def __init__(self, name: str, ready: Ready, job: Work, scan: str, pause_seconds: float = 0.05) -> None:
        self.name, self.ready, self.job, self.scan, self.pause_seconds = name, ready, job, scan, pause_seconds

    def torture(self, random: int, seed: int, chosen: bool) -> list[str]:
        faults: list[str] = []
        ends: Counter[str] = Counter()
        chance = Random(seed)
        with own_place() as place:
            before = without_secret(made(place, "before", self.ready) / "out")
            work = made(place, "undisturbed", self.ready)
            start = time.monotonic()
            assert self._run(work) == 0, f"{self.name} does not run at all"
            lasts = time.monotonic() - start
            after = without_secret(work / "out")
            other = {act: self._beforehand(place, act) for act in ACTS}
            for number in range(random):
                work = made(place, f"{number}", self.ready)
                act, moment = chance.choice(sorted(ACTS)), chance.uniform(0.0, lasts)
                process = self._begin(work)
                time.sleep(moment)
                ACTS[act](work / self.scan)
                code = finished(process)
                ends["done" if code == 0 else "refused"] += 1
                where = f"{self.name}, {act} at {moment:.3g} s"
                may = [after, other[act]] if code == 0 else [before]
                faults += [f"{where}: {fault}" for fault in self._look(work, code, may, after)]
                shutil.rmtree(work)
        return told(self.name, ends, faults)

    def _begin(self, work: Path) -> int:
        def run() -> None:
            reading(self.pause_seconds)
            self.job(work)

        return forked(run, work / "said")

    def _run(self, work: Path) -> int:
        return finished(self._begin(work))

    def _beforehand(self, place: Path, act: str) -> Files:
        """What comes of a case to which it happened before the run."""
        work = made(place, f"beforehand {act}", self.ready)
        ACTS[act](work / self.scan)
        self._run(work)
        return without_secret(work / "out")

    def _look(self, work: Path, code: int, may: list[Files], after: Files) -> Iterator[str]:
        if wrong := sentence_missing(code, work / "said"):
            yield wrong
        found = without_secret(work / "out")
        if "history.json" in after and found not in may:
            yield f"results of neither input: {_differing(found, may[0])}"
        for case in {name.partition("/")[0] for name in after if "/" in name and "history.json" not in after}:
            one, *allowed = ({n: d for n, d in f.items() if n.startswith(f"{case}/")} for f in (found, *may))
            if one and one not in allowed:
                yield f"{case} has results of neither input"
        shutil.rmtree(work / self.scan, ignore_errors=True)
        scan_into(work / self.scan)
        if self._run(work) != 0:
            yield "the next run fails"
        if (found := without_secret(work / "out")) != after:
            yield f"the next run does not end like an undisturbed one: {_differing(found, after)}"
        if left := left_over(work):
            yield f"left over: {left[:4]}"
