"""Every exception that mineralize raises.

::

    MineralizeError                 one clear sentence; ``exit_code`` for the command line
     ├─ UsageError (ValueError)         2  a wrong option or argument
     ├─ LesionNeeded                    3  which lesion? carries the numbered candidates
     ├─ InputError (ValueError)         4  input that cannot be used
     │   ├─ CaseFileError                  case.toml is wrong; all faults listed
     │   ├─ SeriesError                    one series cannot be trusted; names series, rule, remedy
     │   └─ PatientsMixedError             two patients in one case
     └─ OutputError (OSError)           4  results could not be written; nothing was left half-written
"""

from __future__ import annotations

from typing import Any


class MineralizeError(Exception):
    """Base of all errors raised on purpose. ``str(error)`` is one sentence fit for a user."""

    exit_code = 4


class UsageError(MineralizeError, ValueError):
    """A wrong option or argument."""

    exit_code = 2


class LesionNeeded(MineralizeError):
    """The lesion was not named and no candidate clearly wins.

    ``candidates`` is a tuple of :class:`mineralize.candidates.Candidate` (may be empty).
    """

    exit_code = 3

    def __init__(self, message: str, candidates: tuple[Any, ...] = ()) -> None:
        super().__init__(message)
        self.candidates = candidates

    def __reduce__(self) -> tuple[Any, ...]:
        return (type(self), (self.args[0], self.candidates))


class InputError(MineralizeError, ValueError):
    """Input that cannot be used; says what, where and what to do."""


class CaseFileError(InputError):
    """``case.toml`` is wrong. The message lists every fault."""


class SeriesError(InputError):
    """One series cannot be trusted as a volume.

    Parameters
    ----------
    message : what was expected and what was found.
    rule : short name of the broken rule, e.g. ``"slice-spacing"``.
    remedy : what the user can do.
    """

    def __init__(self, message: str, rule: str = "", remedy: str = "") -> None:
        super().__init__(message)
        self.rule = rule
        self.remedy = remedy

    def __reduce__(self) -> tuple[Any, ...]:
        return (type(self), (self.args[0], self.rule, self.remedy))

    def __str__(self) -> str:
        return f"{self.args[0]}; {self.remedy}" if self.remedy else str(self.args[0])


class PatientsMixedError(InputError):
    """Two patients in one case: refused, because a history of two people is worse than none."""


class OutputError(MineralizeError, OSError):
    """Results could not be written; nothing was left half-written."""
