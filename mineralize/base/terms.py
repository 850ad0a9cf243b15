"""Coded concepts, and those that quantities and what is written of them share.

Public codes are from PS3.16 (DCM, SCT and IBSI terms with the meanings listed there); private ones stand only where it
holds none for the meaning.
"""

from __future__ import annotations

from dataclasses import dataclass

PRIVATE_SCHEME = "99MINERALIZE"


@dataclass(frozen=True)
class Term:
    """A coded concept: value, scheme, meaning (at most 16, 16 and 64 characters, PS3.3 8.8)."""

    value: str
    scheme: str
    meaning: str

    @property
    def private(self) -> bool:
        return self.scheme == PRIVATE_SCHEME


def private(value: str, meaning: str) -> Term:
    """A code of our own, where PS3.16 holds none for the meaning."""
    return Term(value, PRIVATE_SCHEME, meaning)


MEAN = Term("373098007", "SCT", "Mean")
ATTENUATION = Term("112031", "DCM", "Attenuation Coefficient")
MUSCLE = Term("127954009", "SCT", "Skeletal muscle")
SUBCUTANEOUS = Term("71966008", "SCT", "Subcutaneous tissue")
BONE = Term("3138006", "SCT", "Bone")
HYDROXYAPATITE = private("HAEQUIVALENT", "Excess over background as hydroxyapatite displacing water")
AT_120_KVP = private("HU120", "Attenuation converted to 120 kVp by the slope of the scan")
