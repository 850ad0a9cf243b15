"""Loops compiled on first use, where an operation on whole arrays would make many passes over large ones.

The compiler is loaded with the first call only, so that what does not measure starts fast; what it makes is kept on
disk where that can be written, and made anew in every process where it cannot.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any, TypeVar

Function = TypeVar("Function", bound=Callable[..., Any])

_LOCK = threading.Lock()


class _Compiled:
    """A function that is compiled when it is first called; other threads run while it works."""

    def __init__(self, plain: Callable[..., Any]) -> None:
        self.plain = plain
        self.__doc__ = plain.__doc__
        self.__name__ = plain.__name__
        self.__module__ = plain.__module__
        self._made: Callable[..., Any] | None = None

    def __call__(self, *arguments: Any) -> Any:
        made = self._made
        if made is None:
            with _LOCK:
                made = self._made = self._made or _made(self.plain)
        return made(*arguments)


def _made(plain: Callable[..., Any]) -> Callable[..., Any]:
    import numba

    options = {"nopython": True, "nogil": True}
    try:
        made: Callable[..., Any] = numba.jit(plain, cache=True, **options)
    except RuntimeError:  # no folder for what is compiled can be written
        made = numba.jit(plain, **options)
    return made


def compiled(plain: Function) -> Function:
    """Let numba compile a function of arrays and numbers, positional arguments only, on its first call.

    The rules of arithmetic are those of the plain function (no reordering), which ``plain`` of the result still is.
    """
    return _Compiled(plain)  # type: ignore[return-value]
