"""Loops compiled on first use, where operations on whole arrays would make many passes over large ones.

The compiler is loaded with the first call only, so that what does not measure starts fast; what it makes is kept on
disk where that can be written, and made anew in every process where it cannot.
"""

from __future__ import annotations

import re
import threading
from collections.abc import Callable
from types import FunctionType
from typing import Any, TypeVar

Function = TypeVar("Function", bound=Callable[..., Any])

_LOCK = threading.Lock()
_LOOPS: list[_Compiled] = []
_ARGUMENT = re.compile(r"([a-z])(\d)(?:\[(\d)\](!?))?")
_SCALARS = {"f4": "float32", "f8": "float64", "i2": "int16", "i4": "int32", "i8": "int64", "b1": "boolean"}


class _Compiled:
    """A function that is compiled when it is first called; other threads run while it works."""

    def __init__(self, plain: Callable[..., Any], signatures: tuple[str, ...]) -> None:
        self.plain = plain
        self.signatures = signatures
        self._made: Callable[..., Any] | None = None
        self.__doc__ = plain.__doc__
        self.__name__ = plain.__name__
        self.__module__ = plain.__module__

    def load(self) -> Callable[..., Any]:
        """The compiled function, made on first use."""
        made = self._made
        if made is None:
            with _LOCK:
                made = self._made = self._made or _made(self.plain, self.signatures)
        return made

    def __call__(self, *arguments: Any) -> Any:
        return self.load()(*arguments)


def _made(plain: Callable[..., Any], signatures: tuple[str, ...]) -> Callable[..., Any]:
    import numba

    def argument(text: str) -> Any:
        found = _ARGUMENT.fullmatch(text)
        assert found is not None, f"no type of an argument: {text}"
        scalar = getattr(numba.types, _SCALARS[found[1] + found[2]])
        if found[3] is None:
            return scalar
        # Read-only arrays of any strides take all others too: one version serves all callers.
        return numba.types.Array(scalar, int(found[3]), "C" if found[4] else "A", readonly=not found[4])

    # Helpers without a signature of their own are compiled into their caller.
    helpers = {
        name: numba.jit(value.plain, nopython=True, nogil=True)
        for name, value in plain.__globals__.items()
        if isinstance(value, _Compiled) and not value.signatures
    }
    if helpers:
        plain = FunctionType(plain.__code__, plain.__globals__ | helpers, plain.__name__)
    types = [numba.types.void(*map(argument, signature.split())) for signature in signatures]
    try:
        made: Callable[..., Any] = numba.jit(types, nopython=True, nogil=True, cache=True)(plain)
    except RuntimeError:  # no folder can be written in which to keep it
        made = numba.jit(types, nopython=True, nogil=True)(plain)
    return made


def compiled(*signatures: str) -> Callable[[Function], Function]:
    """Let numba compile a function of arrays and numbers that returns nothing, on its first call.

    A signature names the types of the arguments, with blanks between: ``f8`` a number, ``f4[3]`` an array of three
    axes that is read, ``f8[1]!`` one that is written to (and in C order). Arithmetic is not reordered. A function
    without a signature is a helper of those beside it in its module, may return something, and is not called otherwise.
    """

    def decorated(plain: Function) -> Function:
        made = _Compiled(plain, signatures)
        if signatures:
            _LOOPS.append(made)
        return made  # type: ignore[return-value]

    return decorated


def load_compiled() -> None:
    """Have all loops of the modules imported so far ready, so that the first who needs them does not wait: most of a
    second. For a process that waits for work."""
    for loop in tuple(_LOOPS):
        loop.load()
