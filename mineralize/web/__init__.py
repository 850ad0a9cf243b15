"""The review page: one local server, one page in the browser, the whole job.

In: a folder with cases. Out: the same ``case.toml`` and the same results that the command line reads and writes; the
page measures nothing itself. Pictures, outlines and progress come from one worker process per case, so that a long
computation can be cancelled and never blocks the page. Places are LPS mm, voxels int16 HU (slices, rows, columns) with
their 4x4 affine, meshes (V, 3), (F, 3). :func:`serve` raises ``UsageError`` without the extra or a port and
``InputError`` without a folder; once it runs an error is an answer, its sentence with a status: 400 for ``UsageError``,
``InputError`` and ``CaseFileError``, 403 for what is covered, 404 for what is not there, 409 for what is busy or
changed meanwhile, 507 for ``OutputError``. Source: own definitions, over HTTP (RFC 9110; 507 from RFC 4918).

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
        when the extra is not installed, or the port is taken.
    InputError
        when ``root`` is no folder.
    """
    try:
        from .server import run
    except ModuleNotFoundError as error:
        if error.name is not None and error.name.split(".")[0] in {"starlette", "uvicorn", "tomlkit", "anyio"}:
            raise UsageError("the review page needs more: install it with pip install 'mineralize[page]'") from None
        raise
    return run(Path(root), port=port, open_browser=open_browser)
