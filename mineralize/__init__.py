"""mineralize: the measured imaging history of a mineralising soft-tissue lesion, from serial CT.

::

    import mineralize as mz

    timeline = mz.read("case-folder")
    study = mz.analyse(timeline)
    mz.write(study, "results")
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .base import InputError, LesionNeeded, MineralizeError, OutputError, Settings
    from .cases import write_study as write
    from .measure import Measurement
    from .study import Study, analyse
    from .timeline import Seed, Timeline, read

__version__ = "0.1.0"

__all__ = [
    "InputError",
    "LesionNeeded",
    "Measurement",
    "MineralizeError",
    "OutputError",
    "Seed",
    "Settings",
    "Study",
    "Timeline",
    "analyse",
    "read",
    "write",
]

_HOMES = {
    "InputError": ("base", "InputError"),
    "LesionNeeded": ("base", "LesionNeeded"),
    "Measurement": ("measure", "Measurement"),
    "MineralizeError": ("base", "MineralizeError"),
    "OutputError": ("base", "OutputError"),
    "Seed": ("timeline", "Seed"),
    "Settings": ("base", "Settings"),
    "Study": ("study", "Study"),
    "Timeline": ("timeline", "Timeline"),
    "analyse": ("study", "analyse"),
    "read": ("timeline", "read"),
    "write": ("cases", "write_study"),
}


def __getattr__(name: str) -> Any:
    """Public names are loaded on first use, so that importing the package costs nothing."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    module, inside = _HOMES[name]
    return getattr(import_module(f".{module}", __name__), inside)


def __dir__() -> list[str]:
    return [*__all__, "__version__"]
