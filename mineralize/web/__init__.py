"""The review page: one local server, one page in the browser, the whole job.

In: a folder with cases. Out: the same ``case.toml`` and the same results that the command line reads and writes; the
page measures nothing itself. Pictures, outlines and progress come from one worker process per case, so that a long
computation can be cancelled and never blocks the page.

Needs the extra ``[page]``; nothing here is imported before :func:`serve` is called.
"""

from __future__ import annotations

from pathlib import Path

from ..base import UsageError

__all__ = ["serve"]


def serve(root: Path | str, *, port: int = 0, open_browser: bool = True) -> int:
    """Serve the folder on this machine until stopped; returns the exit code.

    Prints one line, the start address with its token, on standard output when ready. ``port`` 0 takes a free one.

    Raises
    ------
    UsageError
        when the extra is not installed, the port is taken, or ``root`` is no folder.
    """
    try:
        from .server import run
    except ModuleNotFoundError as error:
        if error.name is not None and error.name.split(".")[0] in {"starlette", "uvicorn", "tomlkit", "anyio"}:
            raise UsageError("the review page needs more: install it with pip install 'mineralize[page]'") from None
        raise
    return run(Path(root), port=port, open_browser=open_browser)
