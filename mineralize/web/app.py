"""The routes of the server. Each one checks, calls, and answers; nothing is computed here."""

from __future__ import annotations

import contextlib
import html
import json
import tomllib
from collections.abc import AsyncIterator, Awaitable, Callable
from importlib import resources
from pathlib import Path
from typing import Any

import anyio
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Route

from ..base import InputError, MineralizeError, OutputError, UsageError
from ..timeline import parse_case_file
from . import case_edit, intake, results, told, words
from .attendant import Attendant, Busy
from .guard import Guard, Keys, Quiet
from .shelf import Case, Shelf, Unknown

STATIC_TYPES = {".js": "text/javascript", ".css": "text/css", ".html": "text/html", ".svg": "image/svg+xml"}
PICTURE_COMMANDS = {"look", "candidates", "outline", "measure", "biopsy"}
"""What shows or makes findings: not done for a covered case."""
Handler = Callable[[Request], Awaitable[Response]]


class Covered(MineralizeError):
    """Findings of this case are covered."""

    def __init__(self) -> None:
        super().__init__(words.COVERED_REFUSAL)


class Site:
    """Handlers with what they share."""

    def __init__(self, shelf: Shelf) -> None:
        self.shelf = shelf
        self.attendant = Attendant(shelf)
        self.intake = intake.Intake(shelf)
        self.static = _static_files()

    # --- pages -----------------------------------------------------------------------------------------------------

    async def page(self, request: Request) -> Response:
        """The one page; the list of cases is in it as text, so that it can be read before any script runs."""
        lines = await anyio.to_thread.run_sync(self._lines)
        items = "".join(f"<li>{html.escape(line['alias'])}: {html.escape(line['words'])}</li>" for line in lines)
        text = self.static["index.html"].decode("utf-8").replace("<!--cases-->", items)
        return Response(text, media_type="text/html")

    async def file(self, request: Request) -> Response:
        name = request.path_params["name"]
        if name not in self.static or name == "index.html":
            raise HTTPException(404)
        return Response(self.static[name], media_type=STATIC_TYPES[Path(name).suffix])

    async def health(self, request: Request) -> Response:
        return PlainTextResponse("ok\n")

    # --- cases -----------------------------------------------------------------------------------------------------

    async def cases(self, request: Request) -> Response:
        return JSONResponse({"cases": await anyio.to_thread.run_sync(self._lines)})

    def _lines(self) -> list[dict[str, Any]]:
        return [told.summary(case, self.attendant.job(case.key)) for case in self.shelf.cases()]

    async def case(self, request: Request) -> Response:
        return await self._told(await self._case(request))

    async def act(self, request: Request) -> Response:
        case = await self._open_case(request)
        asked = await _json(request)
        version = str(asked.get("version", ""))
        act = asked.get("act")
        if not isinstance(act, dict):
            raise InputError("expected an act")
        named = await anyio.to_thread.run_sync(told.with_tag, case, act)
        if case.packed:
            case = await self._unpacked(case)
        await anyio.to_thread.run_sync(
            lambda: case_edit.apply(case.case_file, case.kept / "journal.json", version, named, _check_case_file)
        )
        return await self._told(case)

    async def step(self, request: Request) -> Response:
        case = await self._open_case(request)
        asked = await _json(request)
        back = request.path_params["way"] == "undo"
        version = str(asked.get("version", ""))
        await anyio.to_thread.run_sync(
            lambda: case_edit.step(case.case_file, case.kept / "journal.json", version, back=back)
        )
        return await self._told(case)

    async def start(self, request: Request) -> Response:
        case = await self._case(request)
        asked = await _json(request)
        what = str(asked.pop("do", ""))
        if what in PICTURE_COMMANDS and await anyio.to_thread.run_sync(told.covered, case):
            raise Covered
        _check_asked(what, asked)
        return JSONResponse({"job": self.attendant.start(case, what, asked).told()})

    async def job(self, request: Request) -> Response:
        case = await self._case(request)
        job = self.attendant.job(case.key)
        if request.method == "DELETE":
            await self.attendant.cancel(case)
        told_job = None if job is None else job.told()
        if told_job is not None and await anyio.to_thread.run_sync(told.covered, case):
            told_job["result"] = {}
        return JSONResponse({"job": told_job})

    # --- what is drawn and told ------------------------------------------------------------------------------------

    async def kept(self, request: Request) -> Response:
        """A box, mesh or depth field that a worker has written."""
        case = await self._open_case(request)
        data = await anyio.to_thread.run_sync(results.kept, case, request.path_params["name"])
        return Response(data, media_type="application/octet-stream")

    async def rim(self, request: Request) -> Response:
        case = await self._open_case(request)
        return JSONResponse(await anyio.to_thread.run_sync(results.rim, case, request.path_params["scan"]))

    async def numbers(self, request: Request) -> Response:
        case = await self._open_case(request)
        return JSONResponse(await anyio.to_thread.run_sync(told.numbers, case))

    async def result(self, request: Request) -> Response:
        case = await self._open_case(request)
        return await anyio.to_thread.run_sync(results.file, case, request.path_params["path"])

    async def export(self, request: Request) -> Response:
        case = await self._open_case(request)
        return await anyio.to_thread.run_sync(results.archive, case)

    async def form(self, request: Request) -> Response:
        return JSONResponse(told.form())

    async def impression(self, request: Request) -> Response:
        case = await self._case(request)
        asked = await _json(request)
        if self.attendant.busy(case.key):
            raise Busy("wait until what is being done for this case has ended, then record again")
        await anyio.to_thread.run_sync(results.record_impression, case, asked)
        return await self._told(case)

    # --- what is dropped in ----------------------------------------------------------------------------------------

    async def drop(self, request: Request) -> Response:
        return JSONResponse({"drop": await anyio.to_thread.run_sync(self.intake.begin)})

    async def dropped(self, request: Request) -> Response:
        await self.intake.take(
            request.path_params["drop"],
            request.path_params["number"],
            request.stream(),
            case_file=request.query_params.get("as") == "case.toml",
        )
        return JSONResponse({})

    async def finish(self, request: Request) -> Response:
        asked = await _json(request)
        into = None
        if asked.get("into"):
            into = await anyio.to_thread.run_sync(self.shelf.case, str(asked["into"]))
            if self.attendant.busy(into.key):
                raise Busy("wait until what is being done for this case has ended, then add the scan")
            if into.packed:
                into = await self._unpacked(into)
        alias = asked.get("alias", "")
        drop = request.path_params["drop"]
        taken = await anyio.to_thread.run_sync(
            lambda: self.intake.finish(drop, into, alias if isinstance(alias, str) else "")
        )
        folder = taken.case if into is None else into.folder
        cases = await anyio.to_thread.run_sync(self.shelf.cases)
        key = next(c.key for c in cases if c.folder == folder)
        note = words.SET_ASIDE.format(count=taken.set_aside, total=taken.files + taken.set_aside)
        return JSONResponse({"key": key, "files": taken.files, "note": note if taken.set_aside else ""})

    async def give_up(self, request: Request) -> Response:
        await anyio.to_thread.run_sync(self.intake.give_up, request.path_params["drop"])
        return JSONResponse({})

    # --- shared ----------------------------------------------------------------------------------------------------

    async def _case(self, request: Request) -> Case:
        return await anyio.to_thread.run_sync(self.shelf.case, request.path_params["key"])

    async def _open_case(self, request: Request) -> Case:
        case = await self._case(request)
        if await anyio.to_thread.run_sync(told.covered, case):
            raise Covered
        return case

    async def _unpacked(self, case: Case) -> Case:
        await self.attendant.cancel(case)
        await self.attendant.release(case.key)
        return await anyio.to_thread.run_sync(intake.unpack_case, self.shelf, case)

    async def _told(self, case: Case) -> Response:
        return JSONResponse(await anyio.to_thread.run_sync(told.whole, case, self.attendant.job(case.key)))


def create(shelf: Shelf, keys: Keys) -> Starlette:
    """The application for one root."""
    site = Site(shelf)

    @contextlib.asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        yield
        await site.attendant.close()
        await anyio.to_thread.run_sync(site.intake.close)

    case = "/api/cases/{key}"
    routes = [
        Route("/", site.page),
        Route("/case/{key}", site.page),
        Route("/health", site.health),
        Route("/static/{name}", site.file),
        Route("/api/cases", site.cases),
        Route("/api/form", site.form),
        Route(case, site.case),
        Route(f"{case}/acts", site.act, methods=["POST"]),
        Route(f"{case}/steps/{{way}}", site.step, methods=["POST"]),
        Route(f"{case}/job", site.start, methods=["POST"]),
        Route(f"{case}/job", site.job, methods=["GET", "DELETE"]),
        Route(f"{case}/kept/{{name}}", site.kept),
        Route(f"{case}/rim/{{scan:int}}", site.rim),
        Route(f"{case}/numbers", site.numbers),
        Route(f"{case}/results/{{path:path}}", site.result),
        Route(f"{case}/export.zip", site.export),
        Route(f"{case}/impression", site.impression, methods=["POST"]),
        Route("/api/drops", site.drop, methods=["POST"]),
        Route("/api/drops/{drop}/{number:int}", site.dropped, methods=["PUT"]),
        Route("/api/drops/{drop}/finish", site.finish, methods=["POST"]),
        Route("/api/drops/{drop}", site.give_up, methods=["DELETE"]),
    ]
    return Starlette(
        routes=routes,
        lifespan=lifespan,
        middleware=[Middleware(Guard, keys=keys), Middleware(Quiet)],
        exception_handlers={
            MineralizeError: _said,
            ClientDisconnect: _gone,
        },
    )


async def _said(request: Request, error: Exception) -> Response:
    """An error raised on purpose, as its sentence."""
    status = 400
    if isinstance(error, Unknown):
        status = 404
    elif isinstance(error, Covered):
        status = 403
    elif isinstance(error, case_edit.Conflict | Busy):
        status = 409
    elif isinstance(error, OutputError):
        status = 507
    return JSONResponse({"text": str(error), "kind": type(error).__name__}, status)


async def _gone(request: Request, error: Exception) -> Response:
    return Response(status_code=400)


async def _json(request: Request) -> dict[str, Any]:
    if request.headers.get("content-type", "").split(";")[0].strip() != "application/json":
        raise InputError("expected JSON")
    try:
        value = json.loads(await request.body())
    except (ValueError, RecursionError):
        raise InputError("expected JSON") from None
    if not isinstance(value, dict):
        raise InputError("expected a JSON object")
    return value


def _check_case_file(data: bytes) -> None:
    """Whether ``summarise`` would take the file as it would become."""
    parse_case_file(tomllib.loads(data.decode("utf-8")))


def _check_asked(what: str, asked: dict[str, Any]) -> None:
    """Places and numbers in what a worker is asked; the rest it looks at itself."""
    for name in ("at", "entry", "target"):
        place = asked.get(name)
        if place is None and (name == "entry" or name not in _NEEDED.get(what, ())):
            continue
        good = isinstance(place, list) and len(place) == 3
        if not good or not all(isinstance(v, int | float) and abs(v) < 1e5 for v in place or ()):
            raise UsageError("expected a place: three numbers, LPS millimetres")
    for name in ("scan", "day"):
        held = asked.get(name)
        if name in _NEEDED.get(what, ()) and held is None:
            raise UsageError("expected the number of a scan")
        if held is not None and (not isinstance(held, int) or abs(held) > 40_000):
            raise UsageError("expected a whole number")


_NEEDED = {"outline": ("scan", "at"), "biopsy": ("scan", "target")}


def _static_files() -> dict[str, bytes]:
    """All files of the page, read once: what is not among them cannot be asked for."""
    place = resources.files(__package__).joinpath("static")
    return {p.name: p.read_bytes() for p in place.iterdir() if Path(p.name).suffix in STATIC_TYPES}
