"""A property that is computed on first use and kept in the instance."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Generic, TypeVar, overload

Value = TypeVar("Value")


class lazy(Generic[Value]):
    """Like ``functools.cached_property``, which in Python 3.11 lets only one thread at a time compute a property,
    whichever instances it is of; scans are measured side by side.

    Two threads that ask the same instance at once may both compute it; the first result is kept by both.
    """

    def __init__(self, compute: Callable[[Any], Value]) -> None:
        self._compute = compute
        self.__doc__ = compute.__doc__

    def __set_name__(self, owner: type, name: str) -> None:
        self._name = name

    @overload
    def __get__(self, instance: None, owner: type | None = None) -> lazy[Value]: ...

    @overload
    def __get__(self, instance: object, owner: type | None = None) -> Value: ...

    def __get__(self, instance: object | None, owner: type | None = None) -> lazy[Value] | Value:
        if instance is None:
            return self
        # Without __set__ the entry in the instance goes first from now on.
        kept: Value = instance.__dict__.setdefault(self._name, self._compute(instance))
        return kept
