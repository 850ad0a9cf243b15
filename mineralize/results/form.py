"""The form of an impression: its fields, the answers each takes, and reading it from TOML or JSON."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from ..base import InputError, plain_text, unknown_key
from ..correlate import TEST_CAVEATS, cite

ZONES = ("surroundings", "outer", "intermediate", "central")
OLDER_WORDS = {
    "periphery": "outer",
    "middle": "intermediate",
    "centre": "central",
    "centre only": "central zone only",
    "rim only": "outer zone only",
}
"""Answers of earlier forms, still read: a recorded impression is never rewritten."""
ZONING = ("", "most mature outside", "most mature in the centre", "no zoning", "cannot be judged")
ORIENTATION = ("", "kept", "in part", "lost", "not assessed")
DECALCIFIED = ("", "none", "EDTA", "acid", "unknown")
YES_NO = ("", "yes", "no", "unsure", "not assessed")
ATYPIA = ("", "none", "mild", "moderate", "marked", "not assessed")
CONFIDENCE = ("", "low", "moderate", "high")
RESULTS = ("", "positive", "negative", "failed", "pending", "not done")
HISTOLOGY = ("", "benign", "malignant", "undetermined")
ACCOUNTS = ("", "yes", "in part", "no")
SAMPLING = ("", "representative", "central zone only", "outer zone only", "not representative")
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
    """What was seen on the slides, and what reached them. ``differential`` is in order, most favoured first.

    ``zoning`` is the zoning of tissue, ``cores`` number and length of cores or the kind of specimen in words,
    ``orientation`` whether outside and inside can be told on them, ``decalcified`` how the tissue was prepared.
    """

    reader: str = ""
    cores: str = ""
    orientation: str = ""
    decalcified: str = ""
    zoning: str = ""
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


def says_nothing(impression: Impression) -> bool:
    """Whether no answer tells anything of the slides: a reader, a confidence, ticks or "not assessed" alone do not."""
    seen = (
        impression.zoning,
        impression.atypia,
        impression.atypical_mitoses,
        impression.necrosis,
        impression.mitoses,
        impression.remarks,
        *impression.differential,
        *(z.seen for z in impression.zones),
        *(t for z in impression.zones for t in z.tissues),
        *(t.result for t in impression.tests),
    )
    return not any(answer.strip() not in ("", "not assessed", "not done", "pending") for answer in seen)


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
        cores=read.text(table, "cores"),
        orientation=read.choice(table, "orientation", ORIENTATION),
        decalcified=read.choice(table, "decalcified", DECALCIFIED),
        zoning=read.choice(table, "zoning", ZONING),
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
        if isinstance(value, str) and value not in answers:
            value = OLDER_WORDS.get(value, value)
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
