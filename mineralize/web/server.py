"""The running server: one socket on the loopback, one line when ready, a quiet end on SIGTERM."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import signal
import socket
import sys
import webbrowser
from collections.abc import Iterator
from pathlib import Path

import uvicorn

from ..base import InputError, UsageError
from .app import create
from .guard import Keys
from .shelf import Shelf

PATIENCE_S = 2
"""How long open requests may take to end once the server is asked to stop."""


class _Server(uvicorn.Server):
    """Stops with exit code 0 on SIGTERM and SIGINT; what was saved is saved already."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        loop = asyncio.get_running_loop()
        for name in (signal.SIGTERM, signal.SIGINT):
            try:
                loop.add_signal_handler(name, self._stop)
            except NotImplementedError:  # not on this system
                signal.signal(name, lambda *_: self._stop())
        yield

    def _stop(self) -> None:
        self.should_exit = True


def run(root: Path, *, port: int, open_browser: bool) -> int:
    """See :func:`mineralize.web.serve`."""
    if not root.is_dir():
        raise InputError("the folder to serve does not exist; give one that holds one folder or .zip file per case")
    logging.getLogger("uvicorn").setLevel(logging.CRITICAL + 1)  # it would quote what an error says
    shelf = Shelf(root)
    held = _socket(port)
    keys = Keys(held.getsockname()[1])
    config = uvicorn.Config(
        create(shelf, keys),
        log_config=None,
        access_log=False,
        server_header=False,
        timeout_graceful_shutdown=PATIENCE_S,
        lifespan="on",
    )
    cases = shelf.cases()
    # With one case there is nothing to choose: the browser opens on it.
    first = keys.address if len(cases) != 1 else keys.address.replace("/?", f"/case/{cases[0].key}?")
    asyncio.run(_serve(_Server(config), held, keys, first, open_browser))
    return 0


async def _serve(server: _Server, held: socket.socket, keys: Keys, first: str, open_browser: bool) -> None:
    serving = asyncio.create_task(server.serve(sockets=[held]))
    while not server.started and not serving.done():
        await asyncio.sleep(0.01)
    if server.started:
        sys.stdout.write(keys.address + "\n")
        sys.stdout.flush()
        print("mineralize: serving on this machine only; stop with Ctrl+C", file=sys.stderr)
        if open_browser:
            await asyncio.to_thread(webbrowser.open, first)
    await serving


def _socket(port: int) -> socket.socket:
    held = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    if sys.platform != "win32":
        held.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        held.bind(("127.0.0.1", port))
    except (OSError, OverflowError) as error:
        held.close()
        raise UsageError(f"port {port} cannot be used; name another with --port, or leave it out") from error
    held.listen(128)
    return held
