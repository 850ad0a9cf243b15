"""Which published picture the measured lesion is like: by zoning, contact and course, never by its day alone.

Every tissue statement follows from this. A lesion that is denser at the periphery, clear of bone and does not grow late
is laid beside what is described of myositis ossificans; one that departs from it in any way gets what is described of
the tumours it resembles beside that. Where zoning was not measured, neither is preferred.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from .sources import cite
from .statements import Described, Finding
from .word_tables import ANY_MINERAL, DESCRIBED
from .wording import listed, say

DEPARTURES = {
    "zoning.reversed": "reversed",
    "zoning.centre": "reversed",
    "zoning.even": "even",
    "relation.contact": "attached",
    "late.grew": "growing",
}
"""Keys of findings that depart from a lesion that matures from its periphery, and how they are worded."""


@dataclass(frozen=True)
class Picture:
    """``zoning`` is the last part of a key of a zoning finding, or empty where none was measured."""

    zoning: str
    departures: tuple[str, ...]

    @property
    def departs(self) -> bool:
        """Whether anything measured departs from a lesion that matures from its periphery."""
        return bool(self.departures)

    @property
    def like_myositis(self) -> bool:
        """Denser at the periphery, and nothing departs."""
        return self.zoning == "periphery" and not self.departures

    @property
    def attached(self) -> bool:
        return "attached" in self.departures

    def departing_words(self) -> str:
        """``denser in the centre than at the periphery and attached to the cortex``."""
        return listed([say(f"picture.{name}") for name in self.departures])


def picture_of(said: Sequence[Finding]) -> Picture:
    """The picture that a case's findings draw."""
    zoning = next((f.key.partition(".")[2] for f in said if f.key.startswith("zoning.") and f.trust != "withheld"), "")
    found = [DEPARTURES[f.key] for f in said if f.key in DEPARTURES]
    return Picture(zoning, tuple(dict.fromkeys(found)))


def described(said: Sequence[Finding]) -> tuple[Described, ...]:
    """What was measured of each feature, beside what is published of it for three kinds of lesion.

    All features are always there, so that none is chosen to fit; ``here`` says ``not assessed`` where it was not.
    """
    rows = []
    for feature, (prefixes, myositis, extraskeletal, parosteal, keys) in DESCRIBED.items():
        mine = [f for f in said if f.key.startswith(prefixes) and f.trust != "withheld"]
        here = mine[0].brief if mine else say("described.not-assessed")
        if mine and feature == ANY_MINERAL:
            here = say("described.no-mineral" if mine[0].key == "zoning.none" else "described.mineral")
        rows.append(
            Described(
                feature=feature,
                here=here,
                myositis_ossificans=myositis,
                extraskeletal_osteosarcoma=extraskeletal,
                parosteal_osteosarcoma=parosteal,
                trust=mine[0].trust if mine else "withheld",
                sources=cite(*keys),
            )
        )
    return tuple(rows)
