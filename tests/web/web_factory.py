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


def measured(shelf: Shelf, case: Case, *, sealed: bool = False) -> Case:
    """The same case with results of a made-up study, as if it had been measured."""
    study = study_factory.study()
    study = replace(study, timeline=replace(study.timeline, alias=case.alias))
    outcome = cases.write_study(study, case.results, sealed=sealed, jobs=1)
    work = Work(case)
    told = work._keep_study(study)
    told |= {"files": fingerprint(case), "case_file": case_file_version(case), "trusted": 1}
    told |= {"withheld": outcome.withheld, "cautions": outcome.cautions}
    case.remember("measured", told)
    work._keep_look(study.timeline, None)
    return shelf.case(case.key)


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

    def opened(self) -> httpx.Client:
        client = httpx.Client(base_url=self.base, trust_env=False, timeout=30)
        client.get(self.address).raise_for_status()
        return client


@contextlib.contextmanager
def serving(root: Path, *more: str) -> Iterator[Running]:
    """``mineralize serve`` as a person would start it."""
    package = str(
        Path(cases.__file__).parents[2]
        if Path(cases.__file__).name == "__init__.py"
        else Path(cases.__file__).parents[1]
    )
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
                process.wait(20)
            except subprocess.TimeoutExpired:
                process.kill()
        for stream in (process.stdout, process.stderr):
            if stream is not None:
                stream.close()


def wait_for(client: httpx.Client, key: str, seconds: float = 120.0) -> dict[str, object]:
    """The last job of a case, once it ended."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        job = client.get(f"/api/cases/{key}/job").json()["job"]
        if job["state"] != "running":
            return dict(job)
        time.sleep(0.1)
    raise AssertionError("the job did not end")
