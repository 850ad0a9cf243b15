"""Is everything in the case about one person? Names and numbers are compared here and go no further."""

from __future__ import annotations

from collections.abc import Iterable

from ..base import Note, PatientsMixedError
from .image import Patient

REMEDY = (
    "put each patient in a folder of their own (or, if it is one person under two numbers, say one_patient = true in "
    "case.toml)"
)


def one_patient(patients: Iterable[Patient], *, asserted: bool = False) -> list[Note]:
    """Notes about how sure it is that all files are of one person.

    Raises
    ------
    PatientsMixedError
        when two files can only be about two people, unless ``asserted``.
    """
    known = sorted(set(patients), key=lambda p: (p.identity, p.name, p.birth, p.sex))
    named = [p for p in known if p.identity or p.name]
    for i, a in enumerate(named):
        for b in named[i + 1 :]:
            if not same(a, b):
                if not asserted:
                    raise PatientsMixedError(f"the files are of two or more patients; {REMEDY}")
                return [
                    Note("patients-asserted", "Patient identities differ; case.toml says it is one person.", "caution")
                ]
    if named and len(named) < len(known):
        return [Note("patient-unnamed", "Some files do not say whose they are.", "caution")]
    if len({p.identity for p in named if p.identity}) > 1:
        return [Note("patient-numbers", "One person under more than one patient number.", "info")]
    return []


def same(a: Patient, b: Patient) -> bool:
    """Whether two sets of identifiers can be of one person.

    Two hospitals give one person two numbers, so equal name and birth date are enough; a number alone
    is enough only if nothing else contradicts it.
    """
    if a.sex in ("M", "F") and b.sex in ("M", "F") and a.sex != b.sex:
        return False
    if a.birth and b.birth and a.birth != b.birth:
        return False
    names = _names_agree(a.name, b.name)
    born = bool(a.birth) and a.birth == b.birth
    if a.identity and b.identity and a.identity == b.identity:
        return names is not False or born
    if a.identity and b.identity:
        return names is True and born
    return names is not False


def _names_agree(a: str, b: str) -> bool | None:
    if not a or not b:
        return None
    first, second = set(a.split()), set(b.split())
    return first <= second or second <= first
