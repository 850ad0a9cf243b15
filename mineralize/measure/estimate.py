"""A value with the half-widths of everything that could move it, and a verdict; the raw form of a measurement."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from ..base import Trust, Verdict, Verdicts, reason_of, trust_of, withhold


@dataclass(frozen=True)
class Estimate:
    """One quantity before it becomes a row.

    ``value`` is ``None`` when there is nothing to state. ``down`` and ``up`` map the name of a perturbation to
    its 95 % half-width below and above the value. ``verdicts`` collects what limits it of its own.
    """

    quantity: str
    unit: str
    value: float | None
    down: dict[str, float] = field(default_factory=dict)
    up: dict[str, float] = field(default_factory=dict)
    verdicts: Verdicts = ()
    bounds: tuple[float, float] = (-np.inf, np.inf)
    detail: dict[str, object] | None = None

    @property
    def trust(self) -> Trust:
        """The worst verdict; a missing value counts as withheld."""
        return "withheld" if self.value is None or not np.isfinite(self.value) else trust_of(self.verdicts)

    @property
    def reason(self) -> str:
        """The reasons of the worst verdict, in words."""
        found = reason_of(self.verdicts, self.trust) or reason_of(self.verdicts)
        return withhold("undetermined").text if self.trust == "withheld" and not found else found

    @property
    def interval(self) -> tuple[float, float]:
        """(low, high), perturbations added in quadrature and kept within the bounds of the quantity."""
        assert self.value is not None
        low = self.value - float(np.sqrt(sum(v * v for v in self.down.values())))
        high = self.value + float(np.sqrt(sum(v * v for v in self.up.values())))
        return max(low, self.bounds[0]), min(high, self.bounds[1])

    @property
    def dominant(self) -> str:
        """Name of the perturbation that makes most of the interval."""
        both = {k: self.down.get(k, 0.0) + self.up.get(k, 0.0) for k in {*self.down, *self.up}}
        return max(sorted(both), key=lambda k: both[k]) if both and max(both.values()) > 0 else ""


def symmetric(quantity: str, unit: str, value: float | None, parts: dict[str, float], **more: object) -> Estimate:
    """An estimate whose perturbations reach as far down as up."""
    return Estimate(quantity, unit, value, dict(parts), dict(parts), **more)  # type: ignore[arg-type]


def withheld(quantity: str, unit: str, why: Verdict) -> Estimate:
    """A quantity that is not stated, and why."""
    return Estimate(quantity, unit, None, verdicts=(why,))
