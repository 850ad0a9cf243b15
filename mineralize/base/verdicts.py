"""What limits a value, as a type: a code, how far it limits, its numbers. Rules read these; :mod:`.sayings` words them.

A :class:`Verdict` says that something found about a scan, an outline, its mineral, the mineral scale, an alignment or
a pair of scans makes a value doubtful (``caution``) or not to be stated (``withheld``). :data:`KINDS` holds, once for
every code, what it concerns and how far it may move which kind of quantity, so that no rule needs to know its words.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from .sayings import say

Trust = Literal["ok", "caution", "withheld"]
TRUST_ORDER: dict[str, int] = {"ok": 0, "caution": 1, "withheld": 2}
Concern = Literal["scan", "outline", "mineral", "scale", "alignment", "pair", "value", "tissue", "identity"]


def worst(*levels: Trust) -> Trust:
    """The least trusting of several verdicts."""
    return max(levels, key=lambda level: TRUST_ORDER[level], default="ok")


@dataclass(frozen=True)
class Kind:
    """What a code means to rules.

    ``local``: concerns a part of the outline that the middle of the lesion does not feel. ``margin_only``: says only
    that the margin is unknown; mineral is inside all the same. ``in_interval``: words for an interval that is already
    as wide. ``mass`` and ``size``: shares by which it may have moved a mineral mass, and a volume, of one of two scans
    and not of the other; ``None`` where nobody can say. ``each_its_own``: may move two scans by different shares though
    both carry it. ``nothing_there``: certain where the value is 0, and only there.
    """

    concerns: Concern
    local: bool = False
    margin_only: bool = False
    in_interval: bool = False
    mass: float | None = None
    size: float | None = None
    each_its_own: bool = False
    nothing_there: bool = False


SHARE = 0.3
"""Share of a mass that cautions which leave it its bounds may move: worst of random phantoms 25 %."""
SHARE_AT_BONE = 0.4
"""... beside cortex: worst of scans made from projections 39 %."""
SIZE_UNSEEN = 0.5
"""Share of a volume that an outline without a visible edge may be off: one read at half (random seed 3173)."""
SIZE_SEEN = 0.25
"""... where the outline is seen but doubtful (own judgement)."""

KINDS: dict[str, Kind] = {
    # the outline
    "cut-by-scan": Kind("outline"),
    "edge-unseen": Kind("outline", margin_only=True, mass=SHARE, size=SIZE_UNSEEN),
    "edge-unseen-soft": Kind("outline", local=True, margin_only=True, mass=SHARE, size=SIZE_UNSEEN),
    "on-bone": Kind("outline", local=True, mass=SHARE_AT_BONE, size=SIZE_SEEN),
    "mineral-one-sided": Kind("outline", local=True, mass=SHARE, size=SIZE_UNSEEN),
    "mineral-outside": Kind("outline"),
    "dips-inward": Kind("outline", local=True, mass=SHARE, size=SIZE_SEEN, each_its_own=True),
    "slices-third": Kind("outline"),
    "slices-fifth": Kind("outline", mass=SHARE, size=SIZE_SEEN),
    "no-shell": Kind("outline", mass=SHARE, size=0.0),
    "mineral-no-shell": Kind("outline", mass=SHARE, size=0.0),
    "soft-margin": Kind("outline", mass=SHARE, size=SIZE_SEEN),
    "drawn-together": Kind("outline", mass=SHARE, size=0.0),
    "like-muscle": Kind("outline", size=SIZE_UNSEEN),
    "central-mineral": Kind("outline", margin_only=True, mass=SHARE),
    "solid-mineral": Kind("outline", margin_only=True, mass=SHARE, each_its_own=True),
    "odd-shape": Kind("outline", size=SIZE_SEEN),
    "drawn-by-reader": Kind("outline", size=SIZE_SEEN),
    "by-hand": Kind("outline", mass=SHARE, size=SIZE_SEEN, each_its_own=True),
    "by-hand-carried": Kind("outline", mass=SHARE, size=SIZE_SEEN, each_its_own=True),
    "by-hand-open": Kind("outline", margin_only=True),
    "by-hand-mineral": Kind("mineral", mass=SHARE, each_its_own=True),
    "by-hand-scan": Kind("outline", mass=SHARE, size=SIZE_SEEN),
    "carried-over": Kind("outline", nothing_there=True),
    "point-outside": Kind("identity"),
    "by-candidate": Kind("identity"),
    "lesion-not-found": Kind("identity"),
    "slid": Kind("identity"),
    # slices
    "slices-blur-outline": Kind("outline", mass=SHARE, size=SIZE_SEEN),
    "slices-no-length": Kind("scan"),
    "slices-no-rim": Kind("scan"),
    "slices-blur-rim": Kind("scan"),
    # the scan and its scale
    "kvp-unknown": Kind("scale", mass=SHARE, size=0.0, each_its_own=True),
    "kvp-outside": Kind("scale", size=0.0),
    "hardening": Kind("scale", size=0.0),
    "metal-near": Kind("scan"),
    "metal-streaks": Kind("scan", mass=SHARE, size=SIZE_SEEN, each_its_own=True),
    "header-contradicts": Kind("scan"),
    "scale-ends": Kind("scan"),
    # the value
    "interval-wide": Kind("value", in_interval=True),
    "noise-alone": Kind("value", in_interval=True),
    "not-measured": Kind("value"),
    "undetermined": Kind("value"),
    "bone-mixed": Kind("outline"),
    "bone-runs-through": Kind("outline"),
    # mineral
    "no-mineral": Kind("mineral"),
    "no-mineral-contrast": Kind("mineral"),
    "carried-no-mineral": Kind("mineral"),
    "mass-within-noise": Kind("mineral"),
    "no-mineral-in-zones": Kind("mineral"),
    "in-bone-blur": Kind("mineral", mass=SHARE_AT_BONE),
    "drawn-cuts-mineral": Kind("mineral"),
    "rim-unresolved": Kind("mineral"),
    "rim-too-little": Kind("mineral"),
    "inner-border-unseen": Kind("mineral"),
    "thickness-limit": Kind("mineral"),
    "mostly-no-inner-border": Kind("mineral"),
    "thin-rim-lowered": Kind("mineral"),
    # bone
    "no-bone-in-view": Kind("tissue"),
    "gap-unresolved": Kind("tissue"),
    "contact-unresolved": Kind("tissue"),
    "bone-side-unseen": Kind("tissue"),
    "drawn-at-bone": Kind("tissue"),
    "cleft-unresolved": Kind("tissue"),
    "nothing-faces-bone": Kind("tissue"),
    # core, muscle, fat
    "core-small": Kind("tissue"),
    "core-flooded": Kind("tissue"),
    "core-partly-flooded": Kind("tissue"),
    "muscle-little-near": Kind("tissue"),
    "muscle-little-far": Kind("tissue"),
    "muscle-not-compared": Kind("tissue"),
    "oedema-beyond": Kind("tissue"),
    "fat-thin": Kind("tissue"),
    "fat-little": Kind("tissue"),
    "cortex-none": Kind("tissue"),
    "after-biopsy": Kind("tissue"),
    # an alignment
    "bone-scarce": Kind("alignment"),
    "bone-not-pinned": Kind("alignment"),
    "halves-disagree": Kind("alignment"),
    "surface-against-grey": Kind("alignment"),
    "shape-differs": Kind("alignment"),
    "shape-differs-thick": Kind("alignment"),
    "grey-disagrees": Kind("alignment"),
    "overlap-short": Kind("alignment"),
    "rival-pose": Kind("alignment"),
    "size-differs": Kind("alignment"),
    "soft-tissue-differs": Kind("alignment"),
    "upside-down": Kind("alignment"),
    "second-bone": Kind("alignment"),
    "bone-none-reference": Kind("alignment"),
    "bone-none-here": Kind("alignment"),
    "bone-apart": Kind("alignment"),
    "bone-none-near": Kind("alignment"),
    "with-neighbours": Kind("alignment"),
    "aligned-again": Kind("alignment"),
    # a change
    "change-withheld": Kind("pair"),
    "change-none": Kind("pair"),
    "change-not-apart": Kind("pair"),
    "change-within-limit": Kind("pair"),
    "change-real": Kind("pair"),
    "change-real-doubted": Kind("pair"),
    "change-by-scanner": Kind("pair"),
    "change-by-doubt": Kind("pair"),
    "change-doubt-unknown": Kind("pair"),
}
"""What every code means to rules."""


@dataclass(frozen=True)
class Verdict:
    """One thing that limits a value: ``code`` of :data:`KINDS`, ``trust``, and the ``numbers`` that its words need."""

    code: str
    trust: Trust
    numbers: tuple[tuple[str, float | str], ...] = ()

    @property
    def kind(self) -> Kind:
        """What the code means to rules."""
        return KINDS[self.code]

    @property
    def text(self) -> str:
        """One plain clause, as it stands in tables."""
        return say(self.code, dict(self.numbers))

    def number(self, name: str) -> float:
        """One of its numbers.

        Raises
        ------
        KeyError
            where it has none of that name.
        """
        return float(dict(self.numbers)[name])

    def at(self, trust: Trust) -> Verdict:
        """The same, limiting as far as that."""
        return Verdict(self.code, trust, self.numbers)


Verdicts = tuple[Verdict, ...]


def caution(code: str, **numbers: float | str) -> Verdict:
    """A value that holds, but read the reason."""
    return Verdict(code, "caution", tuple(numbers.items()))


def withhold(code: str, **numbers: float | str) -> Verdict:
    """A value that is not stated, and why."""
    return Verdict(code, "withheld", tuple(numbers.items()))


def trust_of(verdicts: Iterable[Verdict]) -> Trust:
    """The least trusting of some verdicts; ``ok`` for none."""
    return worst(*(verdict.trust for verdict in verdicts))


def reason_of(verdicts: Iterable[Verdict], trust: Trust | None = None) -> str:
    """Their words, those of one level where it is given, joined by semicolons, none twice."""
    return "; ".join(dict.fromkeys(v.text for v in verdicts if trust is None or v.trust == trust))
