"""Packages that are imported when something of them is first used, so that help and wrong usage are told at once."""

from __future__ import annotations

from importlib import import_module
from typing import Any


class Later:
    """Stands for the door of a package of ours, or for something that it offers."""

    def __init__(self, package: str, offered: str = "") -> None:
        self._package, self._offered = package, offered

    def __getattr__(self, name: str) -> Any:
        door = import_module(f"..{self._package}", __package__)
        return getattr(getattr(door, self._offered) if self._offered else door, name)
