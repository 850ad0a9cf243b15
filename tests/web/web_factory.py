"""Roots and servers for the tests of the review page."""

from __future__ import annotations

import asyncio
import contextlib
import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import dicom_factory
import httpx
import study_factory
import uvicorn

from mineralize import cases
from mineralize.cases.folder import whole_folder
from mineralize.cases.seal import cover
from mineralize.results import record, tables
from mineralize.web import boxes
from mineralize.web.app import create
from mineralize.web.guard import Keys
from mineralize.web.shelf import Case, Shelf
from mineralize.web.work import Work, case_file_version, fingerprint


def small_case(folder: Path, alias: str = "", **given: object) -> Path:
    """A case of three small scans as DICOM, too small to be measured."""
    dicom_factory.history(folder, **given)
    if alias:
        (folder / "case.toml").write_text(f'# by hand\nalias = "{alias}"\n', encoding="utf-8")
    return folder


def made_up_case(root: Path, alias: str, *, seed: bool = True) -> Case:
    """A case whose scans were looked at: those of a made-up study, without DICOM behind them."""
    folder = root / f"folder-{alias}"
    folder.mkdir(parents=True)
    text = f'# by hand\nalias = "{alias}"\n'
    if seed:
        text += "\n[lesion]\nscan = 3\nseed = [34.0, -6.0, 12.0]\n"
    (folder / "case.toml").write_text(text, encoding="utf-8")
    (folder / "some-file").write_bytes(b"not read")
    case = next(c for c in Shelf(root).cases() if c.folder == folder)
    study = study_factory.study()
    work = Work(case)
    wholes = [boxes.whole(s.volume, case.kept, f"whole-{s.number}").told() for s in study.timeline.scans]
    timeline = study.timeline if seed else replace(study.timeline, seeds=())
    work._keep_look(timeline, wholes)
    if not seed:
        case.remember("candidates", [candidate(1, 3, [34.0, -6.0, 12.0]), candidate(2, 4, [30.0, 2.0, 8.0])])
    return case


def candidate(number: int, scan: int, at: list[float]) -> dict[str, object]:
    why = "1482 mg of mineral over 35 mm"
    return {"number": number, "scan": scan, "at": at, "why": why, "extent_mm": 35.0, "bone_mm": 4.0}


def measured(case: Case, *, sealed: bool = False, untrusted: int | None = None) -> Case:
    """The same case with results of a made-up study, as if it had been measured; without pictures, to be quick."""
    study = study_factory.study(untrusted=untrusted)
    study = replace(study, timeline=replace(study.timeline, alias=case.alias))
    document = record.history(study)
    with whole_folder(case.results) as folder:
        (folder / "history.json").write_text(record.dumps(document), encoding="utf-8")
        (folder / "measurements.csv").write_text(tables.measurements(document), encoding="utf-8")
        (folder / "summary.html").write_text("<!--impression--><!--/impression-->", encoding="utf-8")
        (folder / "summary.pdf").write_bytes(b"%PDF-1.4\n")
        if sealed:
            cover(folder, document)
    told = Work(case)._keep_study(study)
    told |= {"files": fingerprint(case), "case_file": case_file_version(case)}
    rows = [row["trust"] for row in document["measurements"]]
    told |= {"trusted": rows.count("ok"), "withheld": rows.count("withheld"), "cautions": rows.count("caution")}
    case.remember("measured", told)
    return case


@dataclass
class Page:
    """An application under test in a thread of this process, opened with its token."""

    shelf: Shelf
    keys: Keys
    client: httpx.Client

    @property
    def origin(self) -> str:
        return f"http://127.0.0.1:{self.keys.port}"


@contextlib.contextmanager
def page(root: Path) -> Iterator[Page]:
    """The application of a root, entered."""
    held = socket.socket()
    held.bind(("127.0.0.1", 0))
    held.listen()
    shelf, keys = Shelf(root), Keys(held.getsockname()[1])
    server = uvicorn.Server(uvicorn.Config(create(shelf, keys), log_config=None, access_log=False, lifespan="on"))
    thread = threading.Thread(target=lambda: asyncio.run(server.serve(sockets=[held])))
    thread.start()
    try:
        while not server.started:
            time.sleep(0.01)
        with httpx.Client(base_url=f"http://127.0.0.1:{keys.port}", trust_env=False, timeout=60) as client:
            assert client.get("/", params={"token": keys.token}).status_code == 200
            yield Page(shelf, keys, client)
    finally:
        server.should_exit = True
        thread.join()
        held.close()


@dataclass
class Running:
    """A server of its own process."""

    process: subprocess.Popen[str]
    address: str

    @property
    def base(self) -> str:
        return self.address.split("/?")[0]

    @contextlib.contextmanager
    def opened(self) -> Iterator[httpx.Client]:
        """A client that has entered with the token."""
        with httpx.Client(base_url=self.base, trust_env=False, timeout=120) as client:
            client.get(self.address).raise_for_status()
            yield client


@contextlib.contextmanager
def serving(root: Path, *more: str) -> Iterator[Running]:
    """``mineralize serve`` as a person would start it."""
    package = str(Path(cases.__file__).parents[2])
    process = subprocess.Popen(
        [sys.executable, "-m", "mineralize", "serve", str(root), "--no-open", *more],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": package},
    )
    try:
        assert process.stdout is not None
        line = process.stdout.readline().strip()
        assert re.fullmatch(r"http://127\.0\.0\.1:\d+/\?token=\S+", line), line
        yield Running(process, line)
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGTERM)
            try:
                process.wait(120)
            except subprocess.TimeoutExpired:
                process.kill()
        for stream in (process.stdout, process.stderr):
            if stream is not None:
                stream.close()


def wait_for(client: httpx.Client, key: str, seconds: float = 900.0) -> dict[str, object]:
    """The last job of a case, once it ended."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        job = client.get(f"/api/cases/{key}/job").json()["job"]
        if job["state"] != "running":
            return dict(job)
        time.sleep(0.1)
    raise AssertionError("the job did not end")
