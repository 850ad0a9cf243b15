"""What a cohort is made of: lesions, their visits, and what is known of each."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Visit:
    """One value of the quantity at one scan.

    ``day`` counts from the onset. ``value``, ``low`` and ``high`` are in the cohort's unit (95 % interval, ``None``
    where the table states none). Of the acquisition: tube voltage in kV, slice thickness in mm, class of kernel
    (``soft``, ``standard``, ``sharp``; empty where unknown).
    """

    scan: int
    day: float
    value: float
    low: float | None
    high: float | None
    trust: str = "ok"
    kvp: float | None = None
    slice_mm: float | None = None
    kernel: str = ""


@dataclass(frozen=True)
class Lesion:
    """One lesion with its visits, days in order.

    ``onset_within_days`` is half the span in which day zero may lie; ``excised`` says that excision ended the visits.
    Lesions of one patient carry the same ``patient``.
    """

    case: str
    patient: str
    visits: tuple[Visit, ...]
    onset_within_days: float = 0.0
    excised: bool = False


@dataclass(frozen=True)
class Cohort:
    """Lesions of one quantity, and in words what was set aside when they were read."""

    quantity: str
    unit: str
    lesions: tuple[Lesion, ...]
    notes: tuple[str, ...] = ()

    @property
    def n_scans(self) -> int:
        """How many visits there are in all."""
        return sum(len(lesion.visits) for lesion in self.lesions)

    @property
    def n_patients(self) -> int:
        """How many patients the lesions belong to."""
        return len({lesion.patient for lesion in self.lesions})
