"""The form of an impression: its fields, the answers each takes, and reading it from TOML or JSON."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from ..base import InputError, plain_text, unknown_key
from ..correlate import TEST_CAVEATS, cite

ZONES = ("surroundings", "periphery", "middle", "centre")
YES_NO = ("", "yes", "no", "unsure", "not assessed")
ATYPIA = ("", "none", "mild", "moderate", "marked", "not assessed")
CONFIDENCE = ("", "low", "moderate", "high")
RESULTS = ("", "positive", "negative", "failed", "pending", "not done")
HISTOLOGY = ("", "benign", "malignant", "undetermined")
ACCOUNTS = ("", "yes", "in part", "no")
SAMPLING = ("", "representative", "centre only", "rim only", "not representative")
TIMING = ("", "late enough", "too early")
COMPARABLE = ("", "comparable", "not comparable")
LONGEST = 2000
"""Characters of a free answer."""


@dataclass(frozen=True)
class ZoneSeen:
    """Whether a zone was seen on the slides, and the tissues in it."""

    zone: str
    seen: str = ""
    tissues: tuple[str, ...] = ()


@dataclass(frozen=True)
class AncillaryTest:
    """A test and its result; :attr:`caveat` says what it can not say."""

    name: str
    result: str = ""
    note: str = ""

    @property
    def caveat(self) -> str:
        return TEST_CAVEATS.get(self.name, TEST_CAVEATS["other"])[0]

    @property
    def sources(self) -> tuple[str, ...]:
        return cite(*TEST_CAVEATS.get(self.name, TEST_CAVEATS["other"])[1])


@dataclass(frozen=True)
class Ticks:
    """The person's own ticks, made after the findings were opened; empty answers are open."""

    histology: str = ""
    accounts: str = ""
    sampling: str = ""
    timing: str = ""
    comparable: str = ""


@dataclass(frozen=True)
class Impression:
    """What was seen on the slides. ``differential`` is in order, most favoured first."""

    reader: str = ""
    zones: tuple[ZoneSeen, ...] = ()
    atypia: str = ""
    mitoses: str = ""
    atypical_mitoses: str = ""
    necrosis: str = ""
    differential: tuple[str, ...] = ()
    confidence: str = ""
    tests: tuple[AncillaryTest, ...] = ()
    remarks: str = ""
    ticks: Ticks = field(default_factory=Ticks)


FORM = """# Impression from the slides. Leave empty what you do not want to answer.
reader = ""              # a role or pseudonym, not a name
atypia = ""              # {atypia}
mitoses = ""             # count and area, in words
atypical_mitoses = ""    # {yes_no}
necrosis = ""            # {yes_no}
differential = []        # in order, most favoured first
confidence = ""          # {confidence}
remarks = ""

[[zones]]
zone = "periphery"       # {zones}
seen = ""                # {yes_no}
tissues = []             # such as "woven bone", "osteoid"

[[zones]]
zone = "middle"
seen = ""
tissues = []

[[zones]]
zone = "centre"
seen = ""
tissues = []

# [[tests]]
# name = "USP6 rearrangement"    # known with caveat: {tests}
# result = "negative"            # {results}

# After the findings were opened, amend with your own ticks:
# [ticks]
# histology = ""         # {histology}
# accounts = ""          # does histology account for the imaging? {accounts}
# sampling = ""          # {sampling}
# timing = ""            # {timing}
# comparable = ""        # {comparable}
"""


def blank_form() -> str:
    """A TOML form to fill in, with the answers that each field takes."""

    def joined(answers: tuple[str, ...]) -> str:
        return ", ".join(a for a in answers if a)

    return FORM.format(
        atypia=joined(ATYPIA),
        yes_no=joined(YES_NO),
        confidence=joined(CONFIDENCE),
        zones=joined(ZONES),
        tests=joined(tuple(TEST_CAVEATS)),
        results=joined(RESULTS),
        histology=joined(HISTOLOGY),
        accounts=joined(ACCOUNTS),
        sampling=joined(SAMPLING),
        timing=joined(TIMING),
        comparable=joined(COMPARABLE),
    )


def from_mapping(table: Mapping[str, Any]) -> Impression:
    """An impression from parsed TOML or JSON.

    Raises
    ------
    InputError
        listing every fault.
    """
    faults: list[str] = []
    read = _Reader(faults)
    known = set(Impression.__dataclass_fields__)
    faults += [unknown_key(name, n, sorted(known)) for n, name in enumerate(table, start=1) if name not in known]
    zones = tuple(
        ZoneSeen(
            read.choice(z, "zone", ZONES, where),
            read.choice(z, "seen", YES_NO, where),
            read.texts(z, "tissues", where),
        )
        for where, z in read.tables(table, "zones", set(ZoneSeen.__dataclass_fields__))
    )
    tests = tuple(
        AncillaryTest(
            read.text(t, "name", where), read.choice(t, "result", RESULTS, where), read.text(t, "note", where)
        )
        for where, t in read.tables(table, "tests", set(AncillaryTest.__dataclass_fields__))
    )
    faults += [f"tests.{n}.name: expected a name" for n, t in enumerate(tests, start=1) if not t.name]
    ticks = table.get("ticks", {})
    if not isinstance(ticks, Mapping):
        faults.append("ticks: expected a table")
        ticks = {}
    asked = sorted(Ticks.__dataclass_fields__)
    faults += [f"ticks: {unknown_key(name, n, asked)}" for n, name in enumerate(ticks, start=1) if name not in asked]
    result = Impression(
        reader=read.text(table, "reader"),
        zones=zones,
        atypia=read.choice(table, "atypia", ATYPIA),
        mitoses=read.text(table, "mitoses"),
        atypical_mitoses=read.choice(table, "atypical_mitoses", YES_NO),
        necrosis=read.choice(table, "necrosis", YES_NO),
        differential=read.texts(table, "differential"),
        confidence=read.choice(table, "confidence", CONFIDENCE),
        tests=tests,
        remarks=read.text(table, "remarks"),
        ticks=Ticks(
            histology=read.choice(ticks, "histology", HISTOLOGY, "ticks."),
            accounts=read.choice(ticks, "accounts", ACCOUNTS, "ticks."),
            sampling=read.choice(ticks, "sampling", SAMPLING, "ticks."),
            timing=read.choice(ticks, "timing", TIMING, "ticks."),
            comparable=read.choice(ticks, "comparable", COMPARABLE, "ticks."),
        ),
    )
    if faults:
        raise InputError("the impression has faults: " + "; ".join(faults))
    return result


@dataclass(frozen=True)
class _Reader:
    faults: list[str]

    def text(self, table: Mapping[str, Any], name: str, where: str = "") -> str:
        return self._plain(table.get(name, ""), f"{where}{name}")

    def choice(self, table: Mapping[str, Any], name: str, answers: tuple[str, ...], where: str = "") -> str:
        value = table.get(name, "")
        if value in answers or (value == "" and "" not in answers and name != "zone"):
            return str(value)
        known = ", ".join(a for a in answers if a)
        self.faults.append(f"{where}{name}: expected one of {known}")
        return ""

    def texts(self, table: Mapping[str, Any], name: str, where: str = "") -> tuple[str, ...]:
        value = table.get(name, [])
        if not isinstance(value, list | tuple):
            self.faults.append(f"{where}{name}: expected a list of texts")
            return ()
        return tuple(self._plain(v, f"{where}{name}.{n}") for n, v in enumerate(value, start=1))

    def tables(self, table: Mapping[str, Any], name: str, known: set[str]) -> list[tuple[str, Mapping[str, Any]]]:
        value = table.get(name, [])
        if not isinstance(value, list | tuple) or not all(isinstance(v, Mapping) for v in value):
            self.faults.append(f"{name}: expected a list of tables")
            return []
        found = [(f"{name}.{n}.", v) for n, v in enumerate(value, start=1)]
        self.faults.extend(
            f"{where.rstrip('.')}: {unknown_key(key, place, sorted(known))}"
            for where, v in found
            for place, key in enumerate(v, start=1)
            if key not in known
        )
        return found

    def _plain(self, value: Any, path: str) -> str:
        if not isinstance(value, str):
            self.faults.append(f"{path}: expected a text")
            return ""
        if len(value) > LONGEST:
            self.faults.append(f"{path}: expected at most {LONGEST} characters")
            return ""
        return plain_text(value).strip()
